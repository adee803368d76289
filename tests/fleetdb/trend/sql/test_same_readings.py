from __future__ import annotations

from typing import Any

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import Row, connect, day, leak, record

TEST: dict[str, Any] = {"odometer_km": 61250.0, "kit": "K", "workshop": "North"}


def twice(*records: Row, workshop: str | None = None) -> list[tuple]:
    with connect(test_records=records) as connection:
        rows = queries.answer(
            connection, "same_readings", first_at=day(0), until_at=day(10), workshop=workshop
        ).to_pylist()
    return [tuple(row.values()) for row in rows]


def test_equal_figures_of_a_vehicle_and_day_are_told_once_with_their_number() -> None:
    three = [record("V1", 3 + hour / 24, 0.9, **TEST) for hour in (1, 2, 5)]
    later = [record("V1", 5.1, 0.9, **TEST), record("V1", 5.2, 0.9, **TEST)]
    assert twice(*three, *later) == [
        ("V1", day(5).date(), "North", 2),
        ("V1", day(3).date(), "North", 3),
    ]
    assert twice(*three, workshop="South") == []


@pytest.mark.parametrize(
    "other",
    [
        {"odometer_km": 61251.0},
        {"kit": "other"},
        {"rate_bar_per_s": 200.0},
        leak(30, 400, 12, 13),
    ],
)
def test_one_figure_that_differs_makes_another_test(other: Row) -> None:
    assert twice(record("V1", 3.1, 0.9, **TEST), record("V1", 3.2, 0.9, **{**TEST, **other})) == []


def test_leaks_are_told_apart_by_cylinder() -> None:
    one, other = leak(30, 400, 12, 13), leak(30, 400, 12, 14)
    assert twice(record("V1", 3.1, **TEST, **one), record("V1", 3.2, **TEST, **other)) == []
    assert len(twice(record("V1", 3.1, **TEST, **one), record("V1", 3.2, **TEST, **one))) == 1


def test_a_single_figure_is_too_little_to_be_the_same_test() -> None:
    alone = {**TEST, "odometer_km": None}
    assert twice(record("V1", 3.1, 0.9, **alone), record("V1", 3.2, 0.9, **alone)) == []


def test_other_vehicles_other_days_and_other_periods_are_left_alone() -> None:
    assert twice(record("V1", 3.9, 0.9, **TEST), record("V1", 4.1, 0.9, **TEST)) == []
    assert twice(record("V1", 3.1, 0.9, **TEST), record("V2", 3.1, 0.9, **TEST)) == []
    assert twice(record("V1", 10.1, 0.9, **TEST), record("V1", 10.2, 0.9, **TEST)) == []
