from __future__ import annotations

import polars as pl

from tests.fleetdb.trend.small_tables import day, finding
from tests.fleetdb.trend.sql.hindsight import LIMIT, month_ends, on, seen_later


def crossings(said, *findings) -> list[tuple]:
    with seen_later(said, *findings) as connection:
        return connection.sql(
            "SELECT fitted_at, crossed_on, failed FROM scorecard_crossings ORDER BY crossed_on"
        ).fetchall()


def test_the_limit_is_crossed_on_a_line_of_ln_reserve_between_two_tested_months() -> None:
    # From twice the limit to half of it: half way. The untested month between is no witness.
    said = month_ends([2 * LIMIT, 0.1, LIMIT / 2], tested=[True, False, True])

    assert crossings(said) == [(day(-365), on(30), False)]


def test_a_pump_that_rises_and_falls_again_crosses_twice() -> None:
    said = month_ends([1.0, 0.64, 1.0, 0.64])

    assert [row[1] for row in crossings(said)] == [on(15), on(75)]


def test_a_failure_on_the_road_is_a_crossing_of_the_pump_fitted_then() -> None:
    said = pl.concat([month_ends([1.2, 1.2]), month_ends([1.2], fitted=40)])
    failed = finding("V1", 35, "failed_on_road")
    others = (
        finding("V1", 36, "worn_confirmed"),
        finding("V1", 37, "failed_on_road", part="injector"),
        finding("V2", 38, "failed_on_road"),
    )

    assert crossings(said, failed, *others) == [(day(-365), on(35), True)]


def test_a_failure_written_down_when_the_new_pump_is_in_is_of_the_one_before() -> None:
    said = pl.concat([month_ends([1.2, 1.2]), month_ends([1.2], fitted=40)])

    assert crossings(said, finding("V1", 40, "failed_on_road")) == [(day(-365), on(40), True)]
    assert crossings(said, finding("V1", 40.9, "failed_on_road")) == [(day(-365), on(40.9), True)]
    assert crossings(said, finding("V1", 41.1, "failed_on_road")) == [(day(40), on(41.1), True)]
