from __future__ import annotations

from typing import Any

from fleetdb.trend import queries
from fleetdb.trend.beliefs import Repair
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import connect, day, pump, record, vehicle


def repaired_since(**rows: Any) -> list[tuple[Any, ...]]:
    with connect(**rows) as connection:
        keep_readings(connection, day(400))
        table = queries.answer(connection, "repaired_since")
    return [tuple(row.values()) for row in table.to_pylist()]


def filter_on(at: float, name: str = "V1") -> dict[str, Any]:
    return pump(name, at, part="fuel_filter")


def test_only_repairs_after_the_last_test_count() -> None:
    tests = [record("V1", 10, 0.9), record("V1", 20, 0.9)]

    assert repaired_since(test_records=tests, fitments=[filter_on(15)]) == []
    assert repaired_since(test_records=tests, fitments=[filter_on(20)]) == []
    assert repaired_since(test_records=tests, fitments=[filter_on(25), filter_on(30)]) == [
        (0, Repair.SUPPLY)
    ]


def test_what_was_repaired_is_told() -> None:
    tests, regulator = [record("V1", 10, 0.9)], pump("V1", 12, part="regulator")

    assert repaired_since(test_records=tests, fitments=[regulator]) == [(0, Repair.REGULATOR)]
    assert repaired_since(test_records=tests, fitments=[regulator, filter_on(15)]) == [
        (0, Repair.REGULATOR | Repair.SUPPLY)
    ]


def test_a_pump_never_tested_is_repaired_by_what_was_fitted_after_it() -> None:
    assert repaired_since(fitments=[pump("V1", 10), filter_on(5)]) == []
    assert repaired_since(fitments=[pump("V1", 10), filter_on(15)]) == [(1, Repair.SUPPLY)]


def test_pumps_that_are_gone_and_other_vehicles_are_left_out() -> None:
    rows = {
        "vehicles": [vehicle("V1"), vehicle("V2")],
        "fitments": [pump("V1", 30), filter_on(20), filter_on(25, "V2")],
        "test_records": [record("V1", 10, 0.9), record("V1", 40, 0.9), record("V2", 10, 0.9)],
    }

    assert repaired_since(**rows) == [(2, Repair.SUPPLY)]
