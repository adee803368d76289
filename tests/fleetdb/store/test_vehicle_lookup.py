"""Vehicles are found by parts of what is written on them, in their own fleet."""

from __future__ import annotations

from datetime import date

import pytest

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet
from fleetdb.store.vehicle_lookup import find_vehicles, vehicle_and_family
from tests.documents import post, post_family_and_vehicle


@pytest.fixture
def fleet(store: Store) -> Store:
    post_family_and_vehicle(store)
    for vehicle in ("V-170", "V-1700", "W 17_0", "7"):
        post(store, Kind.VEHICLES, vehicle=vehicle, registration=None, vin=None)
    return store


def found(store: Store, typed: str, most: int = 10, fleet_id: int = 1) -> list[str]:
    with store.read() as session:
        return [entry.vehicle for entry in find_vehicles(session, fleet_id, typed, most)]


@pytest.mark.parametrize(
    ("typed", "vehicles"),
    [
        ("V-17", ["V-17", "V-170", "V-1700"]),
        ("v1 70", ["V-170", "V-1700"]),
        ("flt17", ["V-17"]),
        ("KP-0427", ["V-17"]),
        # Too short to be a part: the whole of it only.
        ("7", ["7"]),
        ("17", []),
        # No wildcards.
        ("7_0", ["W 17_0"]),
        ("%%%", []),
        ("", []),
        (" - ", []),
    ],
)
def test_parts_find_whole_ones_first(fleet: Store, typed: str, vehicles: list[str]) -> None:
    assert found(fleet, typed) == vehicles


def test_only_so_many_are_given_and_none_of_another_fleet(fleet: Store) -> None:
    assert found(fleet, "V-17", most=2) == ["V-17", "V-170"]
    with fleet.write() as session:
        other = add_fleet(session, "south", "tests").id
    assert found(fleet, "V-17", fleet_id=other) == []


def test_settings_are_those_in_force_on_the_day(fleet: Store) -> None:
    post(fleet, Kind.PUMP_FAMILIES, applies_from="2024-01-01", proof_target_bar=720)
    with fleet.read() as session:
        targets = [
            vehicle_and_family(session, 1, "V-17", day)[1].proof_target_bar
            for day in (date(2023, 12, 31), date(2024, 1, 1))
        ]
        assert targets == [700, 720]
        with pytest.raises(NotFoundError):
            vehicle_and_family(session, 1, "V-9", date(2024, 1, 1))
