from __future__ import annotations

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import connect, day, leak, record

RECORDS = [
    record("V1", 1, 0.9, workshop="North", kit="K", odometer_km=1.0),
    record("V1", 2, 0.9, workshop="North", fuel_temp_c=None),
    record("V1", 3, workshop="North", fuel_temp_c=None, crank_rpm=None, rate_bar_per_s=200.0),
    # A leak run needs neither temperature nor speed.
    record("V1", 4, workshop="North", fuel_temp_c=None, crank_rpm=None, **leak(30, 400, 1)),
    record("V1", 5, 0.9, crank_rpm=None, kit="K"),
    record("V1", 10, 0.9, workshop="North"),
]


def answer(first: float = 0, until: float = 10, workshop: str | None = None) -> list[tuple]:
    with connect(test_records=RECORDS) as connection:
        rows = queries.answer(
            connection,
            "quality_by_workshop",
            first_at=day(first),
            until_at=day(until),
            workshop=workshop,
        ).to_pylist()
    return [tuple(row.values()) for row in rows]


def test_what_is_missing_is_counted_by_workshop_the_largest_first() -> None:
    # workshop, n, no fuel temperature, no crank speed, no odometer, no kit
    assert answer() == [("North", 4, 2, 1, 3, 3), ("", 1, 0, 1, 1, 0)]


def test_the_period_has_its_first_moment_and_not_its_last() -> None:
    assert [row[:2] for row in answer(2, 4)] == [("North", 2)]
    assert answer(11, 20) == []


def test_one_workshop_or_those_of_none_can_be_asked_for() -> None:
    assert [row[:2] for row in answer(workshop="North")] == [("North", 4)]
    assert [row[:2] for row in answer(workshop="")] == [("", 1)]
