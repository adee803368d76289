"""Records of a period by workshop and remark."""

from __future__ import annotations

from datetime import UTC, datetime

from fleetdb.records.documents import Kind
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet
from fleetdb.store.remark_counts import remark_counts
from tests.documents import post, post_family_and_vehicle


def test_remarks_are_counted_by_workshop_within_the_period(store: Store) -> None:
    with store.write() as session:
        add_fleet(session, "south", "tests")
    for fleet_id in (1, 2):
        post_family_and_vehicle(store, fleet_id)
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-01T00:00:00Z", kit=None)
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-02T00:00:00Z", kit=None, conditions=None)
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-02T09:00:00Z", workshop=None, kit=None)
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-03T00:00:00Z", kit=None)
    post(store, Kind.TEST_RECORDS, 2, performed_at="2024-06-02T00:00:00Z", kit=None)
    first, until = (datetime(2024, 6, day, tzinfo=UTC) for day in (1, 3))
    with store.read() as session:
        found = [(c.workshop, c.code, c.records) for c in remark_counts(session, 1, first, until)]
    assert found == [
        ("", "no_kit", 1),
        ("north shop", "no_fuel_temperature", 1),
        ("north shop", "no_kit", 2),
    ]
