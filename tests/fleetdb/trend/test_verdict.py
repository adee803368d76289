from __future__ import annotations

import math
from typing import Any

import duckdb
import pytest

from fleetdb.trend.pipeline import assess
from fleetdb.trend.states import Policy
from fleetdb.trend.verdict import SCHEMA
from fleetdb.trend_settings import TrendSettings
from fleetdb.warehouse.views import register_tables
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import (
    Row,
    arrow_tables,
    connect,
    day,
    finding,
    record,
    vehicle,
)

CONTRACT = [
    "as_of",
    "vehicle",
    "pump_serial",
    "fitted_at",
    "state",
    "probability_below_limit",
    "horizon_days",
    "limit_date_p10",
    "limit_date_p50",
    "limit_date_p90",
    "proof_ratio",
    "proof_ratio_low",
    "proof_ratio_high",
    "delivery_reserve",
    "leading_cause",
    "reasons",
]


def judged(*records: Row, policy: Policy | None = None, at: float = 300, **rows: Any) -> Row:
    with connect(test_records=records, **rows) as connection:
        [row] = assess(connection, day(at), policy).verdicts.to_pylist()
    return row


def worn(**fields: Any) -> list[Row]:
    return [
        record("V1", 10 + 40 * n, ratio, **fields)
        for n, ratio in enumerate((0.93, 0.92, 0.90, 0.86, 0.81, 0.75))
    ]


def test_the_columns_begin_as_the_contract_says() -> None:
    assert SCHEMA.names[: len(CONTRACT)] == CONTRACT
    assert len(set(SCHEMA.names)) == len(SCHEMA.names)


def test_the_probability_is_of_the_policys_horizon() -> None:
    near, far = (judged(*worn()[:5], policy=Policy(horizon_days=d)) for d in (15, 365))

    assert (near["horizon_days"], far["horizon_days"]) == (15, 365)
    assert near["probability_below_limit"] < far["probability_below_limit"]


def test_the_fewest_tests_are_the_policys() -> None:
    tests = worn()[:3]

    assert judged(*tests)["state"] != "unproven"
    assert judged(*tests, policy=Policy(fewest_tests=4))["state"] == "unproven"


def test_a_state_lasts_since_the_test_that_brought_it() -> None:
    row = judged(*worn(), record("V1", 230, 0.70), record("V1", 250, 0.68))

    assert row["state"] == "stand_down"
    assert day(170) <= row["state_since"] <= day(250)


def test_a_sound_pump_has_been_so_since_it_was_fitted() -> None:
    row = judged(*(record("V1", 40 * n, 0.94) for n in range(6)))

    assert row["state"] == "sound"
    assert row["state_since"] == row["fitted_at"] == day(-365)
    assert row["leading_cause"] is None


def test_the_distance_of_the_limit_follows_from_the_pace() -> None:
    tests = worn()[:5]
    for n, row in enumerate(tests):
        row["odometer_km"] = 1000.0 + 4000.0 * n

    row = judged(*tests, at=200)

    assert row["km_per_day"] == pytest.approx(100)
    assert row["last_odometer_km"] == 17_000
    # The last test was on day 170, and it has gone on at 100 km a day since.
    for share in ("p10", "p50", "p90"):
        days = (row[f"limit_date_{share}"] - day(200).date()).days
        assert row[f"limit_km_{share}"] == pytest.approx(20_000 + 100 * days, abs=100)


def test_a_slip_of_the_odometer_moves_no_distance() -> None:
    tests = worn()
    for row in tests:
        row["odometer_km"] = 1000.0 + 100.0 * (row["performed_at"] - day(0)).days
    told = judged(*tests, at=220)["limit_km_p50"]
    tests[-1]["odometer_km"] *= 10

    assert judged(*tests, at=220)["limit_km_p50"] == pytest.approx(told, rel=0.02)


def test_unknown_distance_leaves_the_distance_of_the_limit_unknown() -> None:
    assert judged(*worn())["limit_km_p50"] is None


def test_the_limit_is_in_the_reasons_and_so_is_a_long_silence() -> None:
    row = judged(*worn(), at=900)

    assert "0.80" in row["reasons"]
    assert f"{900 - 210} days" in row["reasons"]


def test_a_kit_that_reads_low_is_named_in_the_reasons() -> None:
    fleet = Simulated(
        vehicles=30, tests=12, kits=5, ln_kit=lambda k, d: -0.1 if k == 0 and d > 300 else 0.0
    )
    with connect(**fleet.rows()) as connection:
        verdicts = assess(connection, day(560)).verdicts.to_pylist()

    named = [row for row in verdicts if "K0" in row["reasons"]]
    others = [row for row in verdicts if any(f"K{k}" in row["reasons"] for k in range(1, 5))]
    assert len(named) >= 3
    assert not others


def test_vehicles_without_serial_or_depot_are_judged_too() -> None:
    row = judged(*worn(), vehicles=[vehicle("V1", depot=None)])

    assert row["pump_serial"] is None
    assert row["depot"] is None
    assert row["state"] in ("book_in", "stand_down", "watch")


def test_a_sound_pump_has_no_limit_dates_but_a_day_to_be_tested_by() -> None:
    tests = [record("V1", 30 * t, 0.96, rate_bar_per_s=300.0) for t in range(8)]
    row = judged(*tests, at=230)

    assert row["state"] == "sound"
    assert [row[f"limit_date_p{p}"] for p in (10, 50, 90)] == [None, None, None]
    assert row["limit_km_p50"] is None
    assert row["limit_date_p02"] > day(230).date()


def test_the_day_of_unseen_failure_stays_where_it_is_as_time_passes_it() -> None:
    tests = worn()[:4]  # the last one on day 130
    days = [judged(*tests, at=at)["limit_date_p02"] for at in (131, 140, 200, 300)]

    assert day(130).date() <= min(days)
    # Between a test and the next time of the forecast the rise is taken for a straight line.
    assert (max(days) - min(days)).days <= 15
    assert judged(*tests, at=300)["limit_date_p10"] == day(300).date()


def test_a_pump_below_its_limit_at_its_last_test_was_unseen_since_then() -> None:
    row = judged(*worn(), record("V1", 230, 0.70), record("V1", 250, 0.68))

    assert row["limit_date_p02"] == day(250).date()


def test_a_failure_on_the_road_is_certain_and_stands_since_it_happened() -> None:
    good = [record("V1", 40 * n, 0.95) for n in range(5)]
    row = judged(*good, findings=[finding("V1", 200, "failed_on_road")])

    assert row["state"] == "stand_down"
    assert row["state_since"] == day(200)
    assert row["probability_worn"] == 1


def test_a_state_that_time_brought_does_not_move_with_it() -> None:
    tests = worn()[:4]
    rows = [judged(*tests, at=at) for at in (400, 440)]

    assert rows[0]["state"] == rows[1]["state"] != "sound"
    assert rows[0]["state_since"] == rows[1]["state_since"]


def test_a_proof_set_aside_for_reading_well_ends_no_run_below_the_limit() -> None:
    bad = [record("V1", 40 * n, 0.70 - 0.01 * n) for n in range(5)]
    # Degrees Fahrenheit written as Celsius make it a pump of 1.7 times the target.
    hot = record("V1", 210, 0.66, fuel_temp_c=104.0)

    assert "the last 5 proofs in a row are below the limit" in judged(*bad)["reasons"]
    row = judged(*bad, hot)
    assert "in a row are below the limit" in row["reasons"]


def test_a_kit_whose_bias_is_known_and_taken_out_is_not_the_cause() -> None:
    fleet = Simulated(
        vehicles=36,
        tests=12,
        kits=5,
        ln_reserve=lambda v, d: math.log(1.3) - (0.5 * d / 365 if v % 3 == 0 else 0.0),
        ln_kit=lambda k, d: -0.12 if k == 0 else 0.0,
    )
    with connect(**fleet.rows()) as connection:
        told = assess(connection, day(560)).verdicts.to_pylist()

    worn_ones = [row for row in told if row["state"] in ("book_in", "stand_down")]
    assert len(worn_ones) >= 10
    assert {row["leading_cause"] for row in worn_ones} == {"pump_wear"}


def test_each_fleet_is_judged_with_its_own_fuel_and_horizon() -> None:
    """A fuel that thins less between reference and a hot test leaves less in hand at reference."""
    tests = worn(fuel_temp_c=80.0)
    steep = TrendSettings()
    flat = TrendSettings(fuel_hot_mm2_per_s=2.0, horizon_days=180)
    rows = []
    for settings in (steep, flat):
        with duckdb.connect() as connection:
            register_tables(connection, arrow_tables(test_records=tests), settings)
            rows += assess(connection, day(300)).verdicts.to_pylist()

    assert [row["horizon_days"] for row in rows] == [60, 180]
    assert rows[1]["delivery_reserve"] < 0.9 * rows[0]["delivery_reserve"]
