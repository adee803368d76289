"""The rail's flow balance against its integral."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fleetdb.rail import mean_build_share


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
