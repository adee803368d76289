from __future__ import annotations

from datetime import datetime

import pytest

from fleetdb.trend import teaching
from fleetdb.trend.kits import KitHabits
from fleetdb.trend.known import known_at
from fleetdb.trend.teaching import Teacher, start_of_half_year, with_new_families
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import FAMILY, connect, day, vehicle

HABITS = KitHabits()
ROWS = Simulated(vehicles=10, tests=14).rows()


@pytest.mark.parametrize(
    ("moment", "start"),
    [
        ("2026-01-01", "2026-01-01"),
        ("2026-06-30T23:59", "2026-01-01"),
        ("2026-07-01", "2026-07-01"),
        ("2026-12-31", "2026-07-01"),
    ],
)
def test_a_half_year_starts_in_january_or_july(moment: str, start: str) -> None:
    assert start_of_half_year(datetime.fromisoformat(moment)) == datetime.fromisoformat(start)


def test_the_same_half_year_asked_twice_gives_the_same() -> None:
    teacher = Teacher()
    with connect(**ROWS) as connection:
        january = teacher.taught(connection, day(366 + 20), HABITS)
        june = teacher.taught(connection, day(366 + 170), HABITS)
        alone = Teacher().taught(connection, day(366 + 170), HABITS)

    assert january == june == alone


def test_records_of_the_running_half_year_teach_nothing() -> None:
    half_year = day(366)
    before = [row for row in ROWS["test_records"] if row["performed_at"] < half_year]
    assert len(before) < len(ROWS["test_records"])
    with connect(**ROWS) as connection:
        with_all = Teacher().taught(connection, day(366 + 90), HABITS)
    with connect(**{**ROWS, "test_records": before}) as connection:
        with_earlier = Teacher().taught(connection, day(366 + 90), HABITS)

    assert with_all == with_earlier


def test_a_young_fleet_learns_from_all_it_has_and_is_not_remembered() -> None:
    teacher = Teacher()
    with connect(**ROWS) as connection:
        early = teacher.taught(connection, day(20), HABITS)
        late = teacher.taught(connection, day(150), HABITS)

    assert early != late


def test_a_family_that_has_come_since_is_taught_by_its_own_records() -> None:
    teacher = Teacher()
    with connect(**ROWS) as connection:
        taught = teacher.taught(connection, day(366 + 20), HABITS)
    renamed = {
        **ROWS,
        "pump_families": [{**FAMILY, "pump_family": name} for name in ("fam", "new")],
        "vehicles": [
            {**row, "pump_family": "new" if row["vehicle"] == "V00" else "fam"}
            for row in ROWS["vehicles"]
        ],
    }
    with connect(**renamed) as connection:
        both = with_new_families(taught, known_at(connection, day(366 + 40)))

    assert set(both.constants) == set(both.habits) == {"fam", "new"}
    assert both.constants["fam"] == taught.constants["fam"]


def test_vehicles_that_come_later_teach_nothing_of_a_past_half_year(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(teaching, "_MOST_VEHICLES", 6)
    later = [vehicle(f"L{n}", in_service_on=day(800).date()) for n in range(8)]
    with connect(**ROWS) as connection:
        then = Teacher().taught(connection, day(366 + 90), HABITS)
    with connect(**{**ROWS, "vehicles": [*ROWS["vehicles"], *later]}) as connection:
        since = Teacher().taught(connection, day(366 + 90), HABITS)

    assert since == then
