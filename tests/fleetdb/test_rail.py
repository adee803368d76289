"""The rail's flow balance against its integral and a published leak."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fleetdb.rail import annular_leak_ml_per_s, mean_build_share, reachable_pressure_bar

# D 6 mm, c 5 um, L 20 mm, mu 2 mPa s, dp 300 bar: 0.147262 mL/s by M. G. Rabie, Fluid Power
# Engineering 2009, eq. 2.19.
CLEARANCE = {
    "diameter_mm": 6.0,
    "clearance_um": 5.0,
    "length_mm": 20.0,
    "pressure_drop_bar": 300.0,
    "dynamic_viscosity_mpa_s": 2.0,
}


def test_the_published_annular_leak_is_found() -> None:
    assert annular_leak_ml_per_s(**CLEARANCE) == pytest.approx(0.147262, abs=5e-7)


def test_twice_the_clearance_leaks_eight_times_as_much() -> None:
    wide = annular_leak_ml_per_s(**{**CLEARANCE, "clearance_um": 10.0})

    assert wide == pytest.approx(8 * annular_leak_ml_per_s(**CLEARANCE))


# The thin-film formula against the exact annulus: 0.147385 mL/s (computed).
def test_the_thin_film_is_within_a_thousandth_of_the_exact_annulus() -> None:
    inner = CLEARANCE["diameter_mm"] / 2 * 1e-3
    outer = inner + CLEARANCE["clearance_um"] * 1e-6
    exact = (
        math.pi
        * CLEARANCE["pressure_drop_bar"]
        * 1e5
        / (8 * CLEARANCE["dynamic_viscosity_mpa_s"] * 1e-3 * CLEARANCE["length_mm"] * 1e-3)
        * (outer**4 - inner**4 - (outer**2 - inner**2) ** 2 / math.log(outer / inner))
    ) * 1e6

    assert exact == pytest.approx(0.147385, abs=2e-6)
    assert annular_leak_ml_per_s(**CLEARANCE) == pytest.approx(exact, rel=1e-3)


def test_the_reachable_pressure_is_where_leakage_eats_the_swept_flow() -> None:
    np.testing.assert_allclose(reachable_pressure_bar([2.0, 1.0], 0.002), [1000.0, 500.0])


@pytest.mark.parametrize(
    ("reserve", "low", "high"),
    [(2.0, 0.2, 0.7), (1.1, 0.0, 1.0), (0.8, 0.3, 0.78), (5.0, 0.1, 0.2)],
)
def test_the_mean_share_is_that_of_the_integrated_climb(
    reserve: float, low: float, high: float
) -> None:
    """dp/dt = g (1 - p / reserve) from ``low`` to ``high``; g is the rate at zero pressure."""
    gain = 3.0

    def arrives(_: float, p: np.ndarray) -> float:
        return float(p[0]) - high

    arrives.terminal = True  # pyright: ignore[reportFunctionMemberAccess]
    climb = solve_ivp(
        lambda _, p: gain * (1 - p / reserve),
        (0, 100),
        [low],
        events=arrives,
        rtol=1e-10,
        atol=1e-12,
    )
    mean_rate = (high - low) / climb.t_events[0][0]

    assert mean_build_share(reserve, low, high) == pytest.approx(mean_rate / gain, rel=1e-7)


def test_a_pump_with_endless_reserve_builds_at_the_rate_of_zero_pressure() -> None:
    assert mean_build_share(1e6, 0.2, 0.7) == pytest.approx(1.0, abs=1e-5)


def test_a_narrow_window_has_the_rate_of_its_pressure() -> None:
    assert mean_build_share(2.0, 0.5, 0.5 + 1e-6) == pytest.approx(1 - 0.5 / 2.0, abs=1e-5)


def test_a_window_out_of_reach_is_never_built() -> None:
    np.testing.assert_array_equal(mean_build_share([0.5, 0.7, np.nan], 0.2, 0.7), [0, 0, 0])


def test_the_share_rises_with_the_reserve_and_does_not_depend_on_the_unit() -> None:
    reserves = np.linspace(0.75, 4, 50)

    shares = mean_build_share(reserves, 0.2, 0.7)

    assert np.all(np.diff(shares) > 0)
    np.testing.assert_allclose(mean_build_share(700 * reserves, 140, 490), shares)
