from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import Row, connect, day, leak, pump, record


def latest(*records: Row, as_of: float = 400, **rows: Any) -> list[dict[str, Any]]:
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(as_of))
        table = queries.answer(connection, "latest_tests", as_of=day(as_of), pace_days=365)
    return table.to_pylist()


def test_the_last_values_are_those_of_the_last_test_that_has_them() -> None:
    [row] = latest(
        record("V1", 30, rate_bar_per_s=250.0, kit="K2"),
        record("V1", 10, 0.9, odometer_km=1000.0, kit="K1"),
        record("V1", 20, 0.8, odometer_km=2500.0),
        as_of=40,
    )

    assert row["n_tests"] == 3
    assert row["last_test_at"] == day(30)
    assert row["last_raw_proof_ratio"] == pytest.approx(0.8)
    assert row["last_odometer_km"] == 2500
    assert row["last_kit"] == "K2"
    assert row["last_record_id"] == record("V1", 30)["record_id"]
    assert row["km_per_day"] == pytest.approx(150)


def test_a_leak_run_alone_is_no_test_of_the_pump() -> None:
    [row] = latest(record("V1", 10, 0.9), record("V1", 20, **leak(60, 400, 10, 10, 10, 10)))

    assert row["n_tests"] == 1
    assert row["last_test_at"] == day(20)


def test_each_pump_counts_its_own_tests() -> None:
    rows = latest(*(record("V1", at, 0.9) for at in (1, 2, 11)), fitments=[pump("V1", 10)])

    assert [row["n_tests"] for row in rows] == [2, 1]


def test_the_pace_is_the_least_squares_slope_of_the_last_year() -> None:
    days = np.array([-300.0, 40, 100, 180, 333])
    km = np.array([0.0, 9000, 17000, 30000, 51000])
    [row] = latest(
        *(record("V1", d, 0.9, odometer_km=k) for d, k in zip(days, km, strict=True)), as_of=340
    )

    assert row["km_per_day"] == pytest.approx(np.polyfit(days[1:], km[1:], 1)[0])


@pytest.mark.parametrize("km", [(5.0,), (500.0, 400.0)], ids=["one reading", "running back"])
def test_there_is_no_pace_from_one_reading_or_one_running_back(km: tuple[float, ...]) -> None:
    [row] = latest(*(record("V1", 10 + n, 0.9, odometer_km=k) for n, k in enumerate(km)))

    assert row["km_per_day"] is None
