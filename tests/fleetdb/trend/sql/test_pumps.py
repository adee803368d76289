from __future__ import annotations

from typing import Any

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import connect, day, pump, record, vehicle


def pumps(as_of: float = 400, **rows: Any) -> list[tuple[Any, ...]]:
    with connect(**rows) as connection:
        queries.keep(connection, "pumps", as_of=day(as_of), one_in=1)
        return connection.execute(
            "SELECT pump_id, vehicle, pump_serial, fitted_at, ended_at, is_original "
            "FROM pumps ORDER BY pump_id"
        ).fetchall()


FIRST_DAY = day(-365)


def test_a_vehicle_without_a_fitment_has_its_original_pump_from_its_first_day() -> None:
    assert pumps() == [(0, "V1", None, FIRST_DAY, None, True)]


def test_a_test_before_the_first_day_in_service_moves_the_original_pump_back() -> None:
    assert pumps(test_records=[record("V1", -400, 1.0)])[0][3] == day(-400)


def test_a_fitment_ends_the_pump_before_it() -> None:
    assert pumps(fitments=[pump("V1", 10, "B"), pump("V1", -365, "A"), pump("V1", 20, "C")]) == [
        (0, "V1", "A", FIRST_DAY, day(10), False),
        (1, "V1", "B", day(10), day(20), False),
        (2, "V1", "C", day(20), None, False),
    ]


def test_a_pump_fitted_later_ends_the_original_one() -> None:
    assert pumps(fitments=[pump("V1", 10, "B")]) == [
        (0, "V1", None, FIRST_DAY, day(10), True),
        (1, "V1", "B", day(10), None, False),
    ]


def test_a_pump_fitted_within_the_first_day_is_the_first_one() -> None:
    assert pumps(fitments=[pump("V1", -364.5, "A")]) == [(0, "V1", "A", day(-364.5), None, False)]


def test_other_parts_and_other_vehicles_end_no_pump() -> None:
    fitments = [pump("V1", 10, "X", part="injector"), pump("V2", 10, "B")]

    assert pumps(fitments=fitments) == [(0, "V1", None, FIRST_DAY, None, True)]


def test_what_was_fitted_or_entered_service_after_the_date_is_not_seen() -> None:
    rows = {
        "vehicles": [vehicle("V1"), vehicle("V2", in_service_on=day(50).date())],
        "fitments": [pump("V1", 10, "B")],
    }

    assert pumps(as_of=9, **rows) == [(0, "V1", None, FIRST_DAY, None, True)]
    assert [row[1] for row in pumps(as_of=50, **rows)] == ["V1", "V1", "V2"]


def test_the_same_fitment_told_twice_is_one_pump() -> None:
    told = [pump("V1", 10, "B"), pump("V1", 10, "B", fitment_id="again")]

    assert [row[2] for row in pumps(fitments=told)] == [None, "B"]


def test_pumps_are_numbered_by_family_vehicle_and_time() -> None:
    vehicles = [vehicle("V3", pump_family="a"), vehicle("V1", pump_family="b"), vehicle("V2")]
    got = pumps(vehicles=vehicles, fitments=[pump("V1", 3)])

    assert [(row[0], row[1]) for row in got] == [(0, "V3"), (1, "V1"), (2, "V1"), (3, "V2")]
