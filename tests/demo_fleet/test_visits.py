import numpy as np
import pytest

from demo_fleet.visits import VisitOptions, visit_days

MONDAY = 0


def draw(options, entry_day=-100.0, days=3000, seed=1):
    return visit_days(options, entry_day, days, MONDAY, np.random.default_rng(seed))


def test_visits_are_on_workdays_in_the_day_shift():
    day = draw(VisitOptions())
    assert (np.floor(day) % 7 < 5).all()
    hour = 24 * (day % 1)
    assert (hour >= 6.4).all()
    assert (hour <= 16.1).all()


@pytest.mark.parametrize("interval", [30.0, 120.0])
def test_visits_keep_the_vehicle_s_interval(interval):
    day = draw(VisitOptions(interval_days=(interval, interval)), days=8000)
    assert np.diff(day).mean() == pytest.approx(interval, rel=0.1)


def test_a_vehicle_is_not_tested_before_it_comes():
    assert draw(VisitOptions(), entry_day=500.0).min() >= 500


def test_no_two_visits_share_a_day():
    day = draw(VisitOptions(interval_days=(2.0, 2.0)))
    assert np.unique(np.floor(day)).size == day.size
