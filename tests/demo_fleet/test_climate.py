import numpy as np
import pytest

from demo_fleet.climate import ClimateOptions, ambient_c, fuel_c


def test_summer_is_warmer_than_winter_by_twice_the_swing():
    options = ClimateOptions(mean_c=10, seasonal_swing_c=9)
    winter, summer = ambient_c(options, np.array([200 - 182.625, 200]), 0.0, np.zeros(2))
    assert summer == pytest.approx(19)
    assert summer - winter == pytest.approx(18)


def test_fuel_is_between_the_air_and_a_warm_engine():
    air = np.linspace(-10, 30, 500)
    fuel = fuel_c(ClimateOptions(warm_engine_fuel_c=58), air, np.random.default_rng(1))
    assert (fuel >= air).all()
    assert (fuel <= 58).all()


def test_cold_engines_have_cold_fuel():
    air = np.full(2000, 5.0)
    cold, warm = (
        fuel_c(ClimateOptions(warmth_mean=w), air, np.random.default_rng(1)).mean()
        for w in (0.1, 0.6)
    )
    assert cold == pytest.approx(5 + 0.1 * 53, abs=1)
    assert warm == pytest.approx(5 + 0.6 * 53, abs=1)
