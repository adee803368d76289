"""Robust estimators against scipy and statsmodels; coverage of their uncertainties."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from fleetdb.trace.robust import (
    HUBER_K,
    huber_location,
    inflation,
    mad_sd,
    noise_sd,
    robust_fit,
    theil_sen,
)

RNG = np.random.default_rng(7)
CONTAMINATED = np.concatenate([RNG.normal(650.0, 6.0, 300), RNG.uniform(0.0, 300.0, 12)])


def test_the_mad_is_scipys() -> None:
    expected = stats.median_abs_deviation(CONTAMINATED, scale="normal")

    assert mad_sd(CONTAMINATED) == pytest.approx(expected, rel=1e-9)


def test_hubers_centre_is_statsmodels() -> None:
    scale = mad_sd(CONTAMINATED)
    expected = sm.robust.norms.estimate_location(
        CONTAMINATED, scale, norm=sm.robust.norms.HuberT(HUBER_K), tol=1e-10, maxiter=200
    )

    assert huber_location(CONTAMINATED).centre == pytest.approx(float(expected), rel=1e-8)


def test_four_per_cent_of_lost_samples_hardly_move_the_centre() -> None:
    assert huber_location(CONTAMINATED).centre == pytest.approx(650.0, rel=0.002)
    assert abs(CONTAMINATED.mean() / 650.0 - 1) > 0.02


def test_the_uncertainty_of_a_centre_covers_as_often_as_it_says() -> None:
    scores = []
    for seed in range(300):
        found = huber_location(np.random.default_rng(seed).normal(100.0, 5.0, 200))
        scores.append((found.centre - 100.0) / found.sd)

    # 300 draws of a standard normal: its standard deviation within 0.12 (three sigma).
    assert np.std(scores) == pytest.approx(1.0, abs=0.15)


def test_correlated_samples_are_worth_fewer() -> None:
    # A first-order autoregression with coefficient 0.8 raises the variance of its mean by
    # (1 + 0.8) / (1 - 0.8) = 9 (Priestley, Spectral Analysis and Time Series, 1981, sec. 5.3).
    factors = []
    for seed in range(40):
        shocks = np.random.default_rng(seed).normal(size=4000)
        series = np.empty_like(shocks)
        level = 0.0
        for index, shock in enumerate(shocks):
            level = 0.8 * level + shock
            series[index] = level
        factors.append(inflation(series))

    assert np.mean(factors) == pytest.approx(9.0, rel=0.1)


def test_a_sensor_of_one_step_is_averaged_between_its_steps() -> None:
    found = huber_location(np.array([10.0] * 70 + [20.0] * 30))

    assert found.centre == pytest.approx(13.0)


def test_noise_is_measured_on_a_slope_too() -> None:
    noisy = 300.0 * np.arange(2000) / 100.0 + RNG.normal(0.0, 4.0, 2000)

    assert noise_sd(noisy) == pytest.approx(4.0, rel=0.1)


def test_a_robust_line_is_statsmodels() -> None:
    x = np.linspace(-1.0, 1.0, 120)
    y = 400.0 + 90.0 * x + RNG.normal(0.0, 3.0, 120)
    y[::15] += 80.0
    design = np.column_stack([np.ones_like(x), x])
    expected = sm.RLM(y, design, M=sm.robust.norms.HuberT(HUBER_K)).fit(tol=1e-12, maxiter=300)

    assert robust_fit(design, y).coefficients == pytest.approx(expected.params, rel=1e-5)


def test_an_exact_line_is_found_exactly() -> None:
    x = np.linspace(0.0, 1.0, 20)
    fit = robust_fit(np.column_stack([np.ones_like(x), x]), 3.0 + 2.0 * x)

    assert fit.coefficients == pytest.approx([3.0, 2.0], rel=1e-12)


# Sen 1968, JASA 63:1379: slope 4; the intercept by the median of y - 4 x, worked out by hand
# from 5, 7, 7, 4, 5, 7, 6.
def test_sens_own_example() -> None:
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])

    assert theil_sen(x, y) == pytest.approx((4.0, 6.0), abs=1e-9)


def test_the_median_line_is_scipys_with_equal_times_too() -> None:
    x = RNG.integers(0, 30, 80).astype(float)
    y = 5.0 * x + RNG.normal(0.0, 9.0, 80)
    expected = stats.theilslopes(y, x, method="joint")

    assert theil_sen(x, y) == pytest.approx((expected.slope, expected.intercept), rel=1e-9)
