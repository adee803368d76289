from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from fleetdb.rail import mean_build_share
from fleetdb.trend.constants import prior_constants
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.pipeline import assess
from fleetdb.trend.second_opinion import Measured, second_opinions
from fleetdb.trend.series import keep_readings, keep_usual_conditions, load_series
from fleetdb.trend.timing_habits import Habits, with_habits
from tests.fleetdb.trend.small_tables import Row, connect, day, pump, record, vehicle


def opinions(
    *records: Row,
    ln_kit: float | Sequence[float] = 0.0,
    habits: Habits | None = None,
    reserve: float = 1.65,
    as_of: float = 400,
    **rows: list[Row],
) -> dict[str, list[Row]]:
    """Return both answers; ``ln_kit`` is what the kits are believed to add, record by record."""
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(as_of))
        keep_usual_conditions(connection)
        families, _ = load_series(connection)
        for n, series in enumerate(families):
            kits = np.broadcast_to(ln_kit, len(series.records)).astype(float)
            families[n] = replace(series, readings=series.readings._replace(ln_kit=kits))
        families = [with_habits(s.of_present_pumps(), habits or {}) for s in families]
        constants = {series.pump_family: starting_constants(series) for series in families}
        measured = [Measured(s, np.full(s.n_pumps, math.log(reserve))) for s in families]
        tables = second_opinions(connection, measured, constants, day(as_of))
    return {name: table.to_pylist() for name, table in tables.items()}


def trend_of(*records: Row, **given: Any) -> list[Row]:
    return opinions(*records, **given)["builds"]


def readings_of(*km: float | None) -> list[Row]:
    return [record("V1", 40 + 50 * n, 0.9, odometer_km=x) for n, x in enumerate(km)]


def pace_of(*km: float | None) -> float | None:
    [row] = opinions(*readings_of(*km))["pace"]
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


@pytest.mark.parametrize("reserve", [1.65, 1.1, 0.95])
@pytest.mark.parametrize("windows", [((0.2, 0.7), (0.5, 0.9)), ((0.5, 0.9), (0.2, 0.7))])
def test_a_workshop_that_times_another_window_makes_no_trend(
    reserve: float, windows: tuple[tuple[float, float], ...]
) -> None:
    stiffening = prior_constants(0.0).stiffening
    rng = np.random.default_rng(3)
    records = []
    for n in range(12):
        low, high = windows[n // 6]
        # A pump that stays as it is, by the rail's balance, with the scatter of a test.
        share = float(mean_build_share(np.array(reserve), low, high))
        rate = 400.0 * share * (1.0 + stiffening * (low + high) / 2.0)
        records.append(
            record(
                "V1",
                30 * n,
                rate_bar_per_s=rate * math.exp(0.03 * rng.normal()),
                from_bar=700 * low,
                to_bar=700 * high,
            )
        )
    unmoved = [{**row, "from_bar": None, "to_bar": None} for row in records]

    [row] = trend_of(*records, reserve=reserve)
    [as_timed] = trend_of(*unmoved, reserve=reserve)

    assert abs(as_timed["build_trend_pct_per_year"]) > 10
    assert as_timed["build_trend_p"] < 0.05
    assert abs(row["build_trend_pct_per_year"]) < 5
    assert row["build_trend_p"] > 0.2


def test_a_workshop_that_reads_low_makes_no_trend() -> None:
    late = {"Westyard": -0.08}
    records = [
        record("V1", 50 * n, rate_bar_per_s=300 * math.exp(late.get(who, 0.0)), workshop=who)
        for n, who in enumerate(["Eastyard"] * 4 + ["Westyard"] * 4)
    ]

    [blamed] = trend_of(*records)
    [row] = trend_of(*records, habits=late)

    assert blamed["build_trend_pct_per_year"] < -5
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


def test_what_the_kit_adds_is_taken_out() -> None:
    ln_kit = [0.0, 0.03, -0.08, 0.05, -0.02]
    [row] = trend_of(
        *(record("V1", 50 * n, rate_bar_per_s=300 * math.exp(x)) for n, x in enumerate(ln_kit)),
        ln_kit=ln_kit,
    )

    assert row["build_trend_pct_per_year"] == pytest.approx(0, abs=1e-9)


def test_build_rates_older_than_two_years_and_beyond_the_last_twelve_do_not_count() -> None:
    old = [record("V1", d, rate_bar_per_s=900.0) for d in (-360.0, -345, -335)]
    late = [record("V1", 20.0 * n, rate_bar_per_s=300.0) for n in range(20)]

    [few] = trend_of(*old, *late[:5])
    [many] = trend_of(*old, *late, record("V1", -200, rate_bar_per_s=900.0))

    assert (few["build_trend_tests"], few["build_trend_pct_per_year"]) == (5, 0)
    assert (many["build_trend_tests"], many["build_trend_p"]) == (12, 1)


def test_each_vehicle_keeps_its_own_trend_and_pace() -> None:
    def tests_of(name: str, rate_per_y: float, km_per_day: float) -> list[Row]:
        return [
            record(
                name,
                d,
                rate_bar_per_s=300 * math.exp(rate_per_y * d / 365.25),
                odometer_km=km_per_day * d,
            )
            for d in (100.0, 150, 250, 390)
        ]

    both = opinions(
        *tests_of("V1", -0.3, 80.0),
        *tests_of("V2", -0.1, 200.0),
        vehicles=[vehicle("V1"), vehicle("V2"), vehicle("V3")],
    )

    slopes = [row["build_trend_pct_per_year"] for row in both["builds"]]
    assert slopes == pytest.approx([100 * math.expm1(-0.3), 100 * math.expm1(-0.1)])
    assert [row["km_per_day"] for row in both["pace"]] == pytest.approx([80, 200])
    ids = [[row["pump_id"] for row in rows] for rows in both.values()]
    assert ids == [[0, 1], [0, 1]]


def test_a_fleet_without_tests_has_no_opinions() -> None:
    assert opinions() == {"builds": [], "pace": []}


def test_a_verdict_has_the_pace_that_an_odometer_slip_leaves_alone() -> None:
    with connect(test_records=readings_of(0, 5000, 10_000, 150_000, 20_000, 25_000)) as connection:
        [row] = assess(connection, day(400)).verdicts.to_pylist()

    assert row["km_per_day"] == pytest.approx(100, rel=0.05)


def test_a_verdict_has_the_trend_of_its_build_rates() -> None:
    records = [
        record("V1", d, 0.95, rate_bar_per_s=300 * math.exp(-0.4 * d / 365.25))
        for d in np.arange(9) * 45.0
    ]
    with connect(test_records=records) as connection:
        [row] = assess(connection, day(400)).verdicts.to_pylist()

    assert row["build_trend_pct_per_year"] == pytest.approx(100 * math.expm1(-0.4))
    assert row["build_trend_low"] <= row["build_trend_pct_per_year"] <= row["build_trend_high"]
    assert row["build_trend_p"] < 0.001
