from __future__ import annotations

from datetime import datetime

import duckdb

from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.kits import KitHabits
from fleetdb.trend.series import keep_readings, keep_usual_conditions, load_series
from fleetdb.trend.teaching import Teacher
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import FAMILY, connect, day

LIMITS = {"fam": 0.8}


def taught(
    teacher: Teacher, connection: duckdb.DuckDBPyConnection, as_of: datetime
) -> dict[str, FamilyConstants]:
    keep_readings(connection, as_of)
    keep_usual_conditions(connection)
    families, _ = load_series(connection)
    return teacher.constants(families, LIMITS, {}, KitHabits(), as_of)


ROWS = Simulated(vehicles=10, tests=14).rows()


def test_the_same_quarter_asked_twice_gives_the_same() -> None:
    teacher = Teacher()
    with connect(**ROWS) as connection:
        january = taught(teacher, connection, day(366 + 20))
        march = taught(teacher, connection, day(366 + 80))
        alone = taught(Teacher(), connection, day(366 + 20))

    assert january == march == alone


def test_records_of_the_running_quarter_teach_nothing() -> None:
    quarter = day(366)
    before = [row for row in ROWS["test_records"] if row["performed_at"] < quarter]
    assert len(before) < len(ROWS["test_records"])
    with connect(**ROWS) as connection:
        with_all = taught(Teacher(), connection, day(366))
    with connect(**{**ROWS, "test_records": before}) as connection:
        with_earlier = taught(Teacher(), connection, day(366))

    assert with_all == with_earlier


def test_a_young_fleet_learns_from_all_it_has_and_is_not_remembered() -> None:
    teacher = Teacher()
    with connect(**ROWS) as connection:
        early = taught(teacher, connection, day(20))
        late = taught(teacher, connection, day(90))

    assert early != late


def test_a_family_that_is_new_within_the_quarter_is_taught_too() -> None:
    teacher = Teacher()
    with connect(**ROWS) as connection:
        taught(teacher, connection, day(366 + 20))
    renamed = {
        **ROWS,
        "pump_families": [{**FAMILY, "pump_family": name} for name in ("fam", "new")],
        "vehicles": [
            {**row, "pump_family": "new" if row["vehicle"] == "V00" else "fam"}
            for row in ROWS["vehicles"]
        ],
    }
    both = {**LIMITS, "new": 0.8}
    with connect(**renamed) as connection:
        keep_readings(connection, day(366 + 40))
        keep_usual_conditions(connection)
        families, _ = load_series(connection)
        got = teacher.constants(families, both, {}, KitHabits(), day(366 + 40))

    assert set(got) == {"fam", "new"}
