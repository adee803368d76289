from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from sqlalchemy import select, text

from fleetdb.records.documents import Kind
from fleetdb.store.amending import void_document
from fleetdb.store.voids import VOIDABLE
from fleetdb.warehouse import mirror_check
from fleetdb.warehouse.layout import mirror_folder
from fleetdb.warehouse.manifest import Part, read_manifest
from fleetdb.warehouse.mirror import rebuild, sync
from fleetdb.warehouse.mirror_check import check
from fleetdb.warehouse.views import open_mirror


@pytest.fixture
def mirrored(sqlite_fleet: Any) -> Any:
    sqlite_fleet.add_records(20)
    sqlite_fleet.add_one_of_each_other_kind()
    sync(sqlite_fleet.store, sqlite_fleet.fleet_id, sqlite_fleet.home)
    assert problems(sqlite_fleet) == []
    return sqlite_fleet


def problems(fleet: Any) -> list[str]:
    return check(fleet.store, fleet.fleet_id, fleet.home)


def part_of(fleet: Any, table: str) -> tuple[Part, Path]:
    folder = mirror_folder(fleet.home, fleet.fleet_id)
    manifest = read_manifest(folder)
    assert manifest is not None
    (part,) = manifest.parts_of(table)
    return part, folder / part.path


def test_without_a_mirror_it_says_what_to_run(sqlite_fleet: Any) -> None:
    assert problems(sqlite_fleet) == ["there is no mirror yet: run `fleetdb mirror sync`"]


def test_a_damaged_manifest_is_told(mirrored: Any) -> None:
    (mirror_folder(mirrored.home, mirrored.fleet_id) / "manifest.json").write_text("{")
    (problem,) = problems(mirrored)
    assert "manifest.json cannot be read" in problem


def test_a_mirror_of_another_version_is_told(
    mirrored: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mirror_check, "schema_digest", lambda: "another")
    (problem,) = problems(mirrored)
    assert "columns of another version" in problem


def test_a_mirror_of_another_database_is_told(mirrored: Any) -> None:
    with mirrored.store.write() as session:
        session.execute(text("UPDATE installation SET installation_id = :id"), {"id": "0" * 32})
    (problem,) = problems(mirrored)
    assert problem == "the mirror is of another database: run `fleetdb mirror sync`"


def test_a_missing_file_is_named(mirrored: Any) -> None:
    part, path = part_of(mirrored, "findings")
    path.unlink()
    assert problems(mirrored) == [f"{part.path} is missing"]


def test_a_file_with_one_byte_changed_is_named(mirrored: Any) -> None:
    part, path = part_of(mirrored, "test_records")
    contents = bytearray(path.read_bytes())
    contents[len(contents) // 2] ^= 1
    path.write_bytes(contents)
    assert problems(mirrored) == [f"{part.path} does not hold what was written to it"]


def test_a_file_with_one_figure_changed_is_named(mirrored: Any) -> None:
    part, path = part_of(mirrored, "test_records")
    table = pq.read_table(path)
    column = table.schema.get_field_index("actual_bar")
    figures = [650.0, *table["actual_bar"].to_pylist()[1:]]
    pq.write_table(table.set_column(column, "actual_bar", pa.array(figures)), path)
    assert problems(mirrored) == [f"{part.path} does not hold what was written to it"]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (
            "UPDATE proof_readings SET actual_bar = actual_bar + 0.5 "
            "WHERE test_record_id = (SELECT min(test_record_id) FROM proof_readings)",
            "test_records: the same number of rows, 20, but not the same values",
        ),
        (
            "UPDATE cylinder_leak_readings SET ml = 99 WHERE cylinder = 4 "
            "AND test_record_id = (SELECT min(test_record_id) FROM leak_readings)",
            "test_records: the same number of rows, 20, but not the same values",
        ),
        ("DELETE FROM findings", "findings: the truth has 0 rows, the mirror 1"),
    ],
    ids=["a proof", "a leak", "a lost row"],
)
def test_a_truth_that_differs_is_told_by_table(mirrored: Any, change: str, expected: str) -> None:
    # Nothing in the project changes a row: this stands for a fault on either side.
    with mirrored.store.write() as session:
        session.execute(text(change))
    assert problems(mirrored) == [expected]


def test_changes_that_wait_for_the_next_sync_are_no_problem(fleet: Any) -> None:
    ids = fleet.add_records(10)
    sync(fleet.store, fleet.fleet_id, fleet.home)
    fleet.add_records(3)
    fleet.void(ids[0])
    fleet.accept(Kind.TEST_RECORDS, [fleet.record(vehicle="V01", supersedes=ids[1])])
    fleet.amend("V03", depot="South")
    fleet.add_one_of_each_other_kind()
    assert problems(fleet) == []
    sync(fleet.store, fleet.fleet_id, fleet.home)
    assert problems(fleet) == []


def views(fleet: Any) -> dict[str, list[tuple[Any, ...]]]:
    with open_mirror(fleet.home, fleet.fleet_id) as connection:
        return {
            name: connection.execute(f"FROM {name} ORDER BY ALL").fetchall()
            for name in ("fitments", "findings", "kit_calibrations")
        }


def test_withdrawn_documents_leave_the_views_and_the_mirror_equals_the_truth(fleet: Any) -> None:
    fleet.add_records(3)
    sync(fleet.store, fleet.fleet_id, fleet.home)
    before = views(fleet)
    fleet.add_one_of_each_other_kind()
    sync(fleet.store, fleet.fleet_id, fleet.home)
    there = views(fleet)
    assert all(len(there[name]) == len(before[name]) + 1 for name in there)

    with fleet.store.write() as session:
        for kind in (Kind.FITMENTS, Kind.FINDINGS, Kind.KIT_CALIBRATIONS):
            of = VOIDABLE[kind]
            newest = session.scalars(select(of.key).order_by(of.table.id.desc()).limit(1)).one()
            void_document(session, fleet.fleet_id, kind, newest, "other vehicle", "test")
    assert problems(fleet) == []
    # What a past date's verdicts are worked out from is as if they had never come.
    for bring_up in (sync, rebuild):
        bring_up(fleet.store, fleet.fleet_id, fleet.home)
        assert views(fleet) == before
        assert problems(fleet) == []


def test_a_damaged_mirror_is_told_although_changes_wait(mirrored: Any) -> None:
    mirrored.add_records(3)
    part, path = part_of(mirrored, "findings")
    path.unlink()
    assert problems(mirrored) == [f"{part.path} is missing"]


def test_progress_tells_of_every_row(mirrored: Any) -> None:
    told: dict[str, int] = {}

    def progress(table: str, n_rows: int) -> None:
        told[table] = told.get(table, 0) + n_rows

    check(mirrored.store, mirrored.fleet_id, mirrored.home, progress)
    assert told["test_records"] == 20
    assert told["findings"] == 1
