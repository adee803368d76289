from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fleetdb.trend.second_opinion import build_trend, distance_pace
from fleetdb.trend.series import keep_readings, keep_usual_conditions, load_series, years
from tests.fleetdb.trend.small_tables import Row, connect, day, pump, record

NOW = float(years(np.array([day(400)], dtype="datetime64[us]"))[0])


def trend_of(*records: Row, **rows: list[Row]) -> list[Row]:
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(400))
        keep_usual_conditions(connection)
        families, _ = load_series(connection)
        return build_trend(connection, families, NOW).to_pylist()


def pace_of(*km: float | None) -> float | None:
    records = [record("V1", 40 + 50 * n, 0.9, odometer_km=x) for n, x in enumerate(km)]
    with connect(test_records=records) as connection:
        keep_readings(connection, day(400))
        [row] = distance_pace(connection, day(400)).to_pylist()
    return row["km_per_day"]


def test_a_steadily_falling_build_rate_has_its_pace() -> None:
    days = np.arange(8) * 50.0
    [row] = trend_of(
        *(record("V1", d, rate_bar_per_s=300 * math.exp(-0.2 * d / 365.25)) for d in days)
    )

    assert row["build_trend_pct_per_year"] == pytest.approx(100 * math.expm1(-0.2))
    assert row["build_trend_low"] == pytest.approx(row["build_trend_high"])
    assert row["build_trend_p"] < 0.01
    assert row["build_trend_tests"] == 8


def test_the_slope_is_scipys() -> None:
    rng = np.random.default_rng(1)
    days, ln_rate = np.arange(10) * 37.0, math.log(300) + 0.05 * rng.normal(size=10)
    [row] = trend_of(
        *(record("V1", d, rate_bar_per_s=math.exp(x)) for d, x in zip(days, ln_rate, strict=True))
    )

    slope = stats.theilslopes(ln_rate, days / 365.25).slope
    assert row["build_trend_pct_per_year"] == pytest.approx(100 * math.expm1(slope))


def test_what_the_crank_speed_adds_is_taken_out() -> None:
    speeds = [160.0, 180.0, 200.0, 220.0, 240.0]
    [row] = trend_of(
        *(
            record("V1", 50 * n, rate_bar_per_s=1.5 * rpm, crank_rpm=rpm)
            for n, rpm in enumerate(speeds)
        )
    )

    assert row["build_trend_pct_per_year"] == pytest.approx(0, abs=1e-9)


def test_only_the_present_pump_counts() -> None:
    [row] = trend_of(
        *(record("V1", d, rate_bar_per_s=300.0 - d) for d in (10, 20, 30, 110, 120, 130)),
        fitments=[pump("V1", 100, "B")],
    )

    assert row["build_trend_tests"] == 3


def test_one_slip_of_the_odometer_does_not_upset_the_pace() -> None:
    assert pace_of(0, 5000, 10_000, 1_500, 20_000, 25_000) == pytest.approx(100, rel=0.05)


def test_there_is_no_pace_from_two_readings_or_backwards() -> None:
    assert pace_of(0, 5000) is None
    assert pace_of(5000, 4000, 3000) is None
