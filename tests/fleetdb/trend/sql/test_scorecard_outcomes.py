from __future__ import annotations

from datetime import date

import polars as pl

from tests.fleetdb.trend.small_tables import finding
from tests.fleetdb.trend.sql.hindsight import month_ends, on, seen_later


def outcomes(said, *findings) -> dict[date, bool]:
    with seen_later(said, *findings) as connection:
        return dict(connection.sql("SELECT as_of, below FROM scorecard_outcomes").fetchall())


def test_a_tested_month_below_the_limit_within_the_horizon_decides() -> None:
    # Repaired by day 60: below on day 30 all the same.
    assert outcomes(month_ends([1.2, 0.7, 1.2]))[on(0)] is True


def test_a_tested_month_above_the_limit_at_the_horizons_end_decides() -> None:
    assert outcomes(month_ends([1.2, 1.1, 1.0, 0.6]))[on(0)] is False


def test_without_a_test_at_the_horizons_end_a_line_between_its_neighbours_does() -> None:
    # Day 60 lies half way from 0.9 to r: above 0.8 if r > 0.64 / 0.9, about 0.711.
    for r, below in ((0.72, False), (0.70, True)):
        said = month_ends([1.2, 0.9, 1.0, r], tested=[True, True, False, True])

        assert outcomes(said)[on(0)] is below


def test_without_a_later_test_nothing_is_known() -> None:
    said = month_ends([1.2, 1.2, 1.2, 1.2], tested=[True, True, False, False])

    assert outcomes(said) == {}


def test_a_failure_on_the_road_within_the_horizon_needs_no_later_test() -> None:
    said = month_ends([1.2], tested=[True])

    assert outcomes(said, finding("V1", 50, "failed_on_road")) == {on(0): True}
    assert outcomes(said, finding("V1", 61, "failed_on_road")) == {}
    assert outcomes(said, finding("V1", 50, "worn_confirmed")) == {}


def test_a_test_before_the_first_witness_is_judged_by_the_first() -> None:
    said = month_ends([1.2, 1.2, 1.2, 0.7], tested=[False, False, False, True])

    assert outcomes(said) == {on(0): True, on(30): True, on(60): True}


def test_another_pump_of_the_vehicle_is_no_witness() -> None:
    said = pl.concat([month_ends([1.2]), month_ends([1.2] * 4, fitted=20).slice(1)])

    assert on(0) not in outcomes(said)
