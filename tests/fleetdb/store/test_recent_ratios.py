"""The last proof ratios of several vehicles come in one query, without what is not trusted."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import event

from fleetdb.records.documents import Kind
from fleetdb.store.engine import Store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.recent_ratios import recent_ratios
from tests.fleetdb.conftest import SmallFleet


@pytest.fixture
def fleet(store: Store, tmp_path: Any) -> SmallFleet:
    with store.read() as session:
        small = SmallFleet(store, resolve_fleet(session, None).id, tmp_path)
    small.set_up()
    return small


def send(fleet: SmallFleet, vehicle: str, day: int, bar: float, **fields: Any) -> dict[str, Any]:
    proof = {"duty_pct": 45, "target_bar": 700, "actual_bar": bar}
    at = f"2025-03-{day:02}T10:00:00Z"
    record = fleet.record(vehicle=vehicle, performed_at=at, proof=proof, **fields)
    fleet.accept(Kind.TEST_RECORDS, [record])
    return record


def test_the_last_ratios_come_oldest_first_for_each_vehicle(fleet: SmallFleet) -> None:
    for day, bar in ((3, 630), (1, 700), (2, 665), (4, 560)):
        send(fleet, "V00", day, bar)
    send(fleet, "V01", 1, 350)
    send(fleet, "V02", 1, 700)
    statements: list[str] = []
    event.listen(
        fleet.store.engine, "before_cursor_execute", lambda *a: statements.append(str(a[2]))
    )
    with fleet.store.read() as session:
        found = recent_ratios(session, fleet.fleet_id, ["V00", "V01", "V09"], 3)
    assert {v: [(at.day, ratio) for at, ratio in rows] for v, rows in found.items()} == {
        "V00": [(2, 0.95), (3, 0.9), (4, 0.8)],
        "V01": [(1, 0.5)],
    }
    assert len([sql for sql in statements if sql.startswith("SELECT")]) == 1


def test_superseded_and_void_records_are_left_out(fleet: SmallFleet) -> None:
    wrong = send(fleet, "V00", 1, 350)
    send(fleet, "V00", 1, 700, supersedes=wrong["record_id"])
    fleet.void(send(fleet, "V00", 2, 140)["record_id"])
    with fleet.store.read() as session:
        found = recent_ratios(session, fleet.fleet_id, ["V00"], 9)
        elsewhere = recent_ratios(session, fleet.fleet_id + 1, ["V00"], 9)
    assert [ratio for _, ratio in found["V00"]] == [1.0]
    assert elsewhere == {}
