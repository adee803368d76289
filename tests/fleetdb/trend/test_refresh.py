from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fleetdb.trend import refresh as refresh_module
from fleetdb.trend.refresh import Refreshed, refresh
from fleetdb.warehouse.mirror import rebuild, sync
from fleetdb.warehouse.snapshot import current_name, open_snapshot


@pytest.fixture
def tested(sqlite_fleet: Any) -> Any:
    sqlite_fleet.add_records(60)
    return sqlite_fleet


def do_refresh(fleet: Any, **options: Any) -> Refreshed | None:
    return refresh(fleet.store, fleet.fleet_id, fleet.home, **options)


def published(fleet: Any) -> Any:
    snapshot = open_snapshot(fleet.home, fleet.fleet_id)
    snapshot.close()
    return snapshot


def test_the_first_refresh_publishes_verdicts_of_now(fleet: Any) -> None:
    fleet.add_records(60)
    before = datetime.now(UTC)
    refreshed = do_refresh(fleet)
    assert refreshed is not None
    assert before <= refreshed.as_of <= datetime.now(UTC)
    assert refreshed.synced.added["test_records"] == 60
    snapshot = open_snapshot(fleet.home, fleet.fleet_id)
    assert snapshot.name == refreshed.snapshot.name
    assert {"verdicts", "kits"} <= set(snapshot.tables)
    with snapshot.connection() as connection:
        vehicles = connection.execute("SELECT vehicle FROM verdicts ORDER BY ALL").fetchall()
    snapshot.close()
    assert vehicles == [(vehicle,) for vehicle in fleet.vehicles]


def test_a_second_refresh_finds_nothing_to_do(tested: Any) -> None:
    do_refresh(tested)
    name = current_name(tested.home, tested.fleet_id)
    assert do_refresh(tested) is None
    assert current_name(tested.home, tested.fleet_id) == name


def test_a_new_record_a_void_and_a_rebuild_publish_anew(tested: Any) -> None:
    do_refresh(tested)
    (record_id,) = tested.add_records(1)
    assert do_refresh(tested) is not None
    tested.void(record_id)
    assert do_refresh(tested) is not None
    rebuild(tested.store, tested.fleet_id, tested.home)
    assert do_refresh(tested) is not None
    assert do_refresh(tested) is None


def test_what_was_mirrored_but_not_yet_published_is_published(tested: Any) -> None:
    do_refresh(tested)
    tested.add_records(1)
    # As after a kill between the two steps, or a `fleetdb mirror sync`.
    sync(tested.store, tested.fleet_id, tested.home)
    refreshed = do_refresh(tested)
    assert refreshed is not None
    assert not refreshed.synced.changed


def test_force_publishes_although_nothing_changed(tested: Any) -> None:
    do_refresh(tested)
    assert do_refresh(tested, force=True) is not None


def test_the_day_of_the_verdicts_can_be_chosen_and_then_turns(tested: Any) -> None:
    moment = datetime(2025, 1, 3, 12, tzinfo=UTC)
    refreshed = do_refresh(tested, as_of=moment)
    assert refreshed is not None
    assert refreshed.as_of == moment
    assert published(tested).meta["as_of"] == "2025-01-03T12:00:00Z"
    # That is not today, so the next ordinary refresh judges anew.
    turned = do_refresh(tested)
    assert turned is not None
    assert turned.as_of - datetime.now(UTC) < timedelta(minutes=5)
    assert do_refresh(tested) is None


def test_a_damaged_snapshot_is_replaced(tested: Any) -> None:
    refreshed = do_refresh(tested)
    assert refreshed is not None
    (refreshed.snapshot / "manifest.json").unlink()
    assert do_refresh(tested) is not None
    assert published(tested).meta["rows"]["verdicts"] == len(tested.vehicles)


def test_a_failed_assessment_leaves_the_last_snapshot(
    tested: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    do_refresh(tested)
    name = current_name(tested.home, tested.fleet_id)
    tested.add_records(1)

    def fail(*_: Any, **__: Any) -> None:
        raise MemoryError

    monkeypatch.setattr(refresh_module, "assess", fail)
    with pytest.raises(MemoryError):
        do_refresh(tested)
    assert current_name(tested.home, tested.fleet_id) == name
    monkeypatch.undo()
    assert do_refresh(tested) is not None


def test_of_two_refreshes_at_once_one_publishes(tested: Any) -> None:
    results: list[Refreshed | None] = []
    threads = [
        threading.Thread(target=lambda: results.append(do_refresh(tested))) for _ in range(2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(result is None for result in results) == [False, True]
