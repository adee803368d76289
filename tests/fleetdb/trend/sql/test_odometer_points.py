from __future__ import annotations

from typing import Any

import pytest

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import Row, connect, day, pump, record, vehicle


def points(*records: Row, as_of: float = 400, **rows: Any) -> list[tuple[int, float, float]]:
    """Return series_key, at (days after the first), value."""
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(as_of))
        table = queries.answer(
            connection, "odometer_points", as_of=day(as_of), pace_days=365
        ).sort_by([("series_key", "ascending"), ("at", "ascending")])
    listed = table.to_pylist()
    return [(r["series_key"], r["at"] - listed[0]["at"], r["value"]) for r in listed]


def test_every_reading_of_the_last_year_counts_in_days_and_km() -> None:
    records = (
        record("V1", 10, 0.9, odometer_km=500.0),
        record("V1", 40, 0.9, odometer_km=1000.0),
        record("V1", 45, 0.9),
        record("V1", 52.5, 0.9, odometer_km=1600.0),
    )

    assert points(*records, as_of=400) == [
        (0, 0.0, 1000.0),
        (0, pytest.approx(12.5), 1600.0),
    ]


def test_a_vehicle_keeps_its_distance_when_its_pump_is_changed() -> None:
    records = [record("V1", at, 0.9, odometer_km=100.0 * at) for at in (100, 200, 300)]

    assert points(*records, fitments=[pump("V1", 250)]) == [
        (1, 0.0, 10_000.0),
        (1, 100.0, 20_000.0),
        (1, 200.0, 30_000.0),
    ]


def test_each_vehicle_is_a_series_of_its_own() -> None:
    records = [record(name, 300, 0.9, odometer_km=5.0) for name in ("V1", "V2")]

    assert [key for key, _, _ in points(*records, vehicles=[vehicle("V1"), vehicle("V2")])] == [
        0,
        1,
    ]
