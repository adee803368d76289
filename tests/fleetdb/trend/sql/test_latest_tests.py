from __future__ import annotations

from typing import Any

import pytest

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import Row, connect, day, leak, pump, record


def latest(*records: Row, as_of: float = 400, **rows: Any) -> list[dict[str, Any]]:
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(as_of))
        table = queries.answer(connection, "latest_tests")
    return table.to_pylist()


def test_the_last_values_are_those_of_the_last_test_that_has_them() -> None:
    [row] = latest(
        record("V1", 30, rate_bar_per_s=250.0),
        record("V1", 10, 0.9, odometer_km=1000.0),
        record("V1", 20, 0.8, odometer_km=2500.0),
        as_of=40,
    )

    assert row["n_tests"] == 3
    assert row["last_test_at"] == day(30)
    assert row["last_raw_proof_ratio"] == pytest.approx(0.8)
    assert row["last_odometer_km"] == 2500


def test_a_leak_run_alone_is_no_test_of_the_pump() -> None:
    [row] = latest(record("V1", 10, 0.9), record("V1", 20, **leak(60, 400, 10, 10, 10, 10)))

    assert row["n_tests"] == 1
    assert row["last_test_at"] == day(20)


def test_each_pump_counts_its_own_tests() -> None:
    rows = latest(*(record("V1", at, 0.9) for at in (1, 2, 11)), fitments=[pump("V1", 10)])

    assert [row["n_tests"] for row in rows] == [2, 1]
