from __future__ import annotations

import math

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import Row, connect, leak, record
from tests.fleetdb.trend.sql.leaks import keep_leaks


def usual(records: list[Row], ln_viscosity: dict[str, float] | None = None) -> Row:
    with connect(test_records=records) as connection:
        keep_leaks(connection, ln_viscosity or {})
        [row] = queries.answer(connection, "usual_leak").to_pylist()
    return row


def test_the_usual_leak_is_the_median_run_at_the_usual_pressure() -> None:
    row = usual(
        [
            record("V1", 1, **leak(60, 400, 10, 10, 10, 10)),  # 40 mL/min
            record("V1", 2, **leak(30, 400, 15, 15, 10, 10)),  # 100 mL/min
            record("V1", 3, **leak(60, 200, 10, 10, 10, 10)),  # 40 at 200 bar: 80 at 400
            record("V1", 4, 0.9),
        ]
    )

    assert row["pump_family"] == "fam"
    assert row["usual_rail_bar"] == 400
    assert row["usual_leak_ml_per_min"] == pytest.approx(80)


def test_a_run_with_thick_fuel_leaked_less_than_it_would_have() -> None:
    runs = [record("V1", 1, **leak(60, 400, 10, 10))]

    row = usual(runs, {runs[0]["record_id"]: math.log(2)})

    assert row["usual_leak_ml_per_min"] == pytest.approx(40)


def test_a_run_without_its_pressure_is_taken_as_it_is() -> None:
    runs = [record("V1", 1, **leak(60, None, 10, 10)), record("V1", 2, **leak(60, 0.0, 20, 10))]

    assert usual(runs)["usual_leak_ml_per_min"] == pytest.approx(25)
