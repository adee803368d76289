from __future__ import annotations

import numpy as np
import pytest

from fleetdb.rail import mean_build_share
from fleetdb.trend.build_windows import LN_REACH, LN_REACH_HIGH, LN_REACH_LOW, number_windows


def test_equal_windows_have_one_number() -> None:
    numbers, ln_shares = number_windows(
        np.array([0.2, 0.1, 0.2, 0.1]), np.array([0.7, 0.6, 0.7, 0.6])
    )

    assert numbers[0] == numbers[2]
    assert numbers[1] == numbers[3]
    assert numbers[0] != numbers[1]
    assert ln_shares.shape == (2, len(LN_REACH))


@pytest.mark.parametrize(("low", "high"), [(0.2, 0.7), (0.0, 0.4), (0.5, 1.0)])
def test_the_table_is_the_rails_mean_share_where_the_window_is_well_reached(
    low: float, high: float
) -> None:
    [number], ln_shares = number_windows(np.array([low]), np.array([high]))
    reached = np.exp(LN_REACH) > 1.05 * high

    np.testing.assert_allclose(
        np.exp(ln_shares[number][reached]),
        mean_build_share(np.exp(LN_REACH[reached]), low, high),
        rtol=1e-12,
    )


def test_the_share_rises_with_reach_and_stays_finite_out_of_reach() -> None:
    _, ln_shares = number_windows(np.array([0.2, 0.5, 0.0]), np.array([0.7, 1.2, 0.1]))

    assert np.all(np.isfinite(ln_shares))
    assert np.all(np.diff(ln_shares, axis=1) > 0)
    assert np.all(ln_shares < 0)


def test_a_window_without_width_is_given_a_hundredth() -> None:
    numbers, ln_shares = number_windows(np.array([0.4, 0.4]), np.array([0.4, 0.41]))

    assert numbers[0] == numbers[1]
    assert np.all(np.isfinite(ln_shares))


def test_no_tests_have_no_windows() -> None:
    numbers, ln_shares = number_windows(np.empty(0), np.empty(0))

    assert len(numbers) == 0
    assert ln_shares.shape == (0, len(LN_REACH))


def test_the_table_covers_every_reach_it_is_read_at() -> None:
    assert LN_REACH[0] == pytest.approx(LN_REACH_LOW)
    assert LN_REACH[-1] >= LN_REACH_HIGH
