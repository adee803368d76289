"""The kits of a fleet and their calibrations."""

from __future__ import annotations

from uuid import UUID

import pytest

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.store.amending import void_document
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet
from fleetdb.store.kit_calibrations import calibrations_of, named_kits
from tests.documents import post, post_family_and_vehicle


def test_each_kit_has_its_last_calibration_that_was_not_withdrawn(store: Store) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS, kit="B")
    post(store, Kind.KIT_CALIBRATIONS, kit="A", calibrated_at="2024-01-10T09:00:00Z", note=None)
    post(store, Kind.KIT_CALIBRATIONS, kit="A", calibrated_at="2024-03-10T09:00:00Z")
    withdrawn = post(store, Kind.KIT_CALIBRATIONS, kit="A", calibrated_at="2024-04-10T09:00:00Z")
    with store.write() as session:
        void_document(session, 1, Kind.KIT_CALIBRATIONS, UUID(withdrawn.key), "wrong kit", "tests")
    with store.read() as session:
        kits = named_kits(session, 1)
        months = {kit.kit: kit.last_calibrated_at and kit.last_calibrated_at.month for kit in kits}
        assert months == {"A": 3, "B": None}
        of_a = calibrations_of(session, 1, "A")
        assert [(each.calibrated_at.month, each.note) for each in of_a] == [
            (3, "bench, two points"),
            (1, None),
        ]
        assert calibrations_of(session, 1, "B") == []


def test_a_kit_of_another_fleet_is_not_there(store: Store) -> None:
    with store.write() as session:
        add_fleet(session, "south", "tests")
    post(store, Kind.KIT_CALIBRATIONS, kit="A")
    with store.read() as session:
        assert named_kits(session, 2) == []
        with pytest.raises(NotFoundError):
            calibrations_of(session, 2, "A")
