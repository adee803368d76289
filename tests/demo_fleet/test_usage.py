import numpy as np
import pytest

from demo_fleet.usage import UsageOptions, daily_km


def draw(options):
    day = np.arange(728.0)
    return daily_km(options, 200.0, day % 7, day + 1, np.random.default_rng(1)), day % 7


def test_sundays_are_free_and_saturdays_short():
    km, weekday = draw(UsageOptions(seasonal_swing=0.0))
    assert (km[weekday == 6] == 0).all()
    assert km[weekday == 5].mean() == pytest.approx(0.3 * km[weekday < 5].mean(), rel=0.1)


def test_without_scatter_every_workday_is_the_family_s():
    km, weekday = draw(UsageOptions(vehicle_scatter=0, seasonal_swing=0, daily_scatter=0))
    assert km[weekday < 5] == pytest.approx(200.0)
