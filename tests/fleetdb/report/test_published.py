"""Published verdicts kept ready for paging."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pytest

from fleetdb.report import published as published_module
from fleetdb.report.published import NoVerdictsYetError, PublishedVerdicts, SnapshotGoneError
from fleetdb.warehouse.snapshot import publish

META = {"as_of": "2025-04-01T00:00:00Z"}


def publish_one(home: Path, vehicle: str) -> str:
    return publish(home, 1, {"verdicts": pa.table({"vehicle": [vehicle]})}, META).name


def test_a_snapshot_stays_readable_by_its_name(tmp_path: Path) -> None:
    first = publish_one(tmp_path, "V-1")
    second = publish_one(tmp_path, "V-2")
    reader = PublishedVerdicts(tmp_path)
    assert reader.current(1) == second
    for name, vehicle in ((first, "V-1"), (second, "V-2")):
        found = reader.verdicts(1, name, None)
        assert found.verdicts["vehicle"].to_list() == [vehicle]
        assert (found.snapshot, found.as_of) == (name, META["as_of"])


def test_before_the_first_snapshot_there_is_none(tmp_path: Path) -> None:
    with pytest.raises(NoVerdictsYetError):
        PublishedVerdicts(tmp_path).current(1)


@pytest.mark.parametrize("name", ["gone", "../2/snapshots/x", "..", "", "a/b", "\0"])
def test_a_name_leads_to_a_kept_snapshot_of_the_fleet_or_nowhere(tmp_path: Path, name: str) -> None:
    publish_one(tmp_path, "V-1")
    with pytest.raises(SnapshotGoneError):
        PublishedVerdicts(tmp_path).verdicts(1, name, None)


def test_a_past_date_is_worked_out_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = publish_one(tmp_path, "V-1")
    reader = PublishedVerdicts(tmp_path)
    worked_out: list[datetime] = []

    def assess(self: PublishedVerdicts, fleet_id: int, snapshot: str, as_of: datetime) -> object:
        worked_out.append(as_of)
        return reader.verdicts(fleet_id, snapshot, None)

    monkeypatch.setattr(published_module.PublishedVerdicts, "_assess", assess)
    first, second = (datetime(2025, month, 1, tzinfo=UTC) for month in (1, 2))
    for as_of in (first, first, second, first):
        reader.verdicts(1, name, as_of)
    assert worked_out == [first, second]
