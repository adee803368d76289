from __future__ import annotations

from datetime import date

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import finding
from tests.fleetdb.trend.sql.hindsight import LIMIT, month_ends, on, seen_later

# Crosses the limit on day 45, half way from twice the limit to half of it.
FALLING = [2 * LIMIT, 2 * LIMIT, LIMIT / 2, LIMIT / 2]


def coverage(reserves: list[float], p10: date | None, p90: date | None, *findings) -> tuple:
    """Return judged, covered, too early, too late of an interval said at day 0."""
    blank = [None] * (len(reserves) - 1)
    said = month_ends(reserves, p10=[p10, *blank], p90=[p90, *blank])
    with seen_later(said, *findings) as connection:
        return tuple(queries.answer(connection, "scorecard_coverage").to_pylist()[0].values())


@pytest.mark.parametrize(
    ("p10", "p90", "told"),
    [
        (on(40), on(50), (1, 1, 0, 0)),
        (on(45), on(45), (1, 1, 0, 0)),
        (on(46), on(80), (1, 0, 1, 0)),
        (on(10), on(44), (1, 0, 0, 1)),
        (None, None, (0, 0, 0, 0)),
    ],
)
def test_an_interval_holds_the_date_of_the_crossing_or_not(p10, p90, told) -> None:
    assert coverage(FALLING, p10, p90) == told


def test_an_interval_that_passed_without_a_crossing_was_too_early_to_end() -> None:
    assert coverage([1.2] * 4, on(10), on(80)) == (1, 0, 0, 1)


def test_an_interval_not_over_at_the_last_test_is_not_judged() -> None:
    assert coverage([1.2] * 4, on(10), on(90)) == (0, 0, 0, 0)
    assert coverage([1.2] * 4, on(10), None) == (0, 0, 0, 0)


@pytest.mark.parametrize("p90", [on(91), None])
def test_a_limit_reached_before_the_interval_is_over_is_not_judged_yet(p90) -> None:
    # Of intervals that run on, only those that came out early would be counted.
    for p10 in (on(40), on(46)):
        assert coverage(FALLING, p10, p90) == (0, 0, 0, 0)


def test_a_failure_on_the_road_is_a_limit_reached() -> None:
    failed = finding("V1", 70, "failed_on_road")
    assert coverage([1.2] * 4, on(10), on(80), failed) == (1, 1, 0, 0)


def test_a_pump_below_its_limit_already_has_no_date_to_hold() -> None:
    assert coverage([0.7, 1.2, 0.6, 0.6], on(10), on(90)) == (0, 0, 0, 0)
