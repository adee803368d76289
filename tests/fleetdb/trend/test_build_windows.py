from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from fleetdb.fuel_stiffness import N_DODECANE_STIFFNESS
from fleetdb.rail import mean_build_share
from fleetdb.trend.build_windows import (
    LN_REACH,
    LN_REACH_HIGH,
    LN_REACH_LOW,
    REFERENCE,
    ln_share_at,
    number_windows,
)


def test_equal_windows_have_one_number() -> None:
    numbers, windows = number_windows(
        np.array([0.3, 0.1, 0.3, 0.1]), np.array([0.7, 0.6, 0.7, 0.6])
    )

    assert numbers[0] == numbers[2]
    assert numbers[1] == numbers[3]
    assert numbers[0] != numbers[1]
    assert windows.ln_shares.shape == (3, len(LN_REACH))
    np.testing.assert_allclose(windows.middle[numbers], [0.5, 0.35, 0.5, 0.35])


def test_equal_windows_of_two_workshops_are_two() -> None:
    numbers, windows = number_windows(np.full(4, 0.3), np.full(4, 0.7), np.array([0, 1, 0, -1]))

    assert numbers[0] == numbers[2]
    assert len(set(numbers.tolist())) == 3
    assert windows.workshop[numbers].tolist() == [0, 1, 0, -1]
    assert windows.workshop[0] == -1
    np.testing.assert_array_equal(windows.ln_shares[numbers[0]], windows.ln_shares[numbers[1]])
    assert not windows.ln_habit.any()


def test_number_0_is_the_reference_whether_or_not_a_test_was_timed_over_it() -> None:
    low, high = REFERENCE

    other, windows = number_windows(np.array([0.1]), np.array([0.6]))
    own, alone = number_windows(np.array([low]), np.array([high]))

    assert own.tolist() == [0]
    assert other.tolist() == [1]
    np.testing.assert_array_equal(windows.ln_shares[0], alone.ln_shares[0])
    assert windows.middle[0] == pytest.approx((low + high) / 2)


@pytest.mark.parametrize(("low", "high"), [(0.2, 0.7), (0.0, 0.4), (0.5, 1.0)])
def test_the_table_is_the_rails_mean_share_where_the_window_is_well_reached(
    low: float, high: float
) -> None:
    [number], windows = number_windows(np.array([low]), np.array([high]))
    reached = np.exp(LN_REACH) > 1.05 * high

    np.testing.assert_allclose(
        np.exp(windows.ln_shares[number][reached]),
        mean_build_share(np.exp(LN_REACH[reached]), low, high),
        rtol=1e-12,
    )


def test_the_share_rises_with_reach_and_stays_finite_out_of_reach() -> None:
    _, windows = number_windows(np.array([0.2, 0.5, 0.0]), np.array([0.7, 1.2, 0.1]))

    assert np.all(np.isfinite(windows.ln_shares))
    assert np.all(np.diff(windows.ln_shares, axis=1) > 0)
    assert np.all(windows.ln_shares < 0)


def test_a_window_without_width_is_given_a_hundredth() -> None:
    numbers, windows = number_windows(np.array([0.4, 0.4]), np.array([0.4, 0.41]))

    assert numbers[0] == numbers[1]
    assert np.all(np.isfinite(windows.ln_shares))


def test_no_tests_have_the_reference_alone() -> None:
    numbers, windows = number_windows(np.empty(0), np.empty(0))

    assert len(numbers) == 0
    assert windows.ln_shares.shape == (1, len(LN_REACH))


def test_the_table_covers_every_reach_it_is_read_at() -> None:
    assert LN_REACH[0] == pytest.approx(LN_REACH_LOW)
    assert LN_REACH[-1] >= LN_REACH_HIGH


@pytest.mark.parametrize("reserve", [1.2, 1.6, 3.0])
@pytest.mark.parametrize(("low", "high"), [(0.1, 0.45), (0.1, 0.7), (0.3, 0.8)])
def test_rates_over_two_windows_differ_as_leak_and_stiffness_say(
    low: float, high: float, reserve: float
) -> None:
    """The climb in n-dodecane, integrated by scipy, against the table and the window's middle.

    Its bulk modulus is that of Lemmon & Huber 2004, Energy Fuels 18:960 (``fuel_stiffness``).
    """
    target_bar, temp_c = 700.0, 40.0

    def modulus(share: float) -> float:
        return float(N_DODECANE_STIFFNESS.bulk_modulus_bar(target_bar * share, temp_c))

    def ln_mean_rate(window: tuple[float, float]) -> float:
        took, _ = quad(lambda p: 1.0 / (modulus(p) * (1.0 - p / reserve)), *window)
        return math.log((window[1] - window[0]) / took)

    [number], windows = number_windows(np.array([low]), np.array([high]))
    stiffening = modulus(1.0) / modulus(0.0) - 1.0
    expected = [
        np.interp(math.log(reserve), LN_REACH, windows.ln_shares[n])
        + math.log1p(stiffening * windows.middle[n])
        for n in (number, 0)
    ]

    assert expected[0] - expected[1] == pytest.approx(
        ln_mean_rate((low, high)) - ln_mean_rate(REFERENCE), abs=0.02
    )


def test_a_share_is_read_off_the_table_between_its_points_and_held_at_its_ends() -> None:
    number, windows = number_windows(np.array([0.2, 0.5]), np.array([0.7, 0.9]))
    window = number[[0, 1, 1, 0, 0]]
    reach = np.array([0.013, 0.5, np.nan, 9.0, -9.0])

    read = ln_share_at(windows, window, reach)

    inside = [
        np.interp(at, LN_REACH, windows.ln_shares[w])
        for at, w in zip(np.clip(reach, LN_REACH_LOW, LN_REACH_HIGH), window, strict=True)
    ]
    np.testing.assert_allclose(read, inside, rtol=1e-9)
    assert np.isnan(read[2])
