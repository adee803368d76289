from __future__ import annotations

from datetime import datetime

import numpy as np

from fleetdb.trend.forecast import dates_after, days_until

DAYS = np.array([30.0, 60.0, 120.0])


def until(share: float, now: float, *later: float) -> float:
    return float(days_until(share, np.array([now]), np.array([later]), DAYS)[0])


def test_between_two_times_the_probability_rises_in_a_straight_line() -> None:
    assert until(0.5, 0.0, 0.2, 0.4, 0.8) == 75
    assert until(0.1, 0.0, 0.2, 0.4, 0.8) == 15


def test_a_share_reached_at_a_time_is_reached_then() -> None:
    assert until(0.4, 0.0, 0.2, 0.4, 0.8) == 60


def test_what_is_reached_already_is_reached_now() -> None:
    assert until(0.5, 0.5, 0.6, 0.7, 0.8) == 0
    assert until(0.5, 0.9, 0.1, 0.1, 0.1) == 0


def test_what_is_never_reached_has_no_day() -> None:
    assert np.isnan(until(0.9, 0.0, 0.2, 0.4, 0.8))


def test_a_pump_that_recovers_has_still_been_below() -> None:
    assert until(0.5, 0.0, 0.6, 0.1, 0.55) == 25


def test_a_level_stretch_is_no_division_by_zero() -> None:
    assert until(0.3, 0.0, 0.3, 0.3, 0.3) == 30


def test_each_pump_has_its_own_day_and_later_shares_come_later() -> None:
    now = np.array([0.0, 0.2])
    at = np.array([[0.1, 0.3, 0.95], [0.5, 0.9, 1.0]])

    early, middle, late = (days_until(share, now, at, DAYS) for share in (0.1, 0.5, 0.9))

    assert np.all(early <= middle)
    assert np.all(middle <= late)
    assert early[1] == 0
    assert late[1] == 60


def test_dates_are_whole_days_after_the_date_and_unknown_where_the_day_is() -> None:
    dates = dates_after(datetime(2025, 1, 31, 23, 59), np.array([0.0, 1.4, np.nan]))  # noqa: DTZ001

    assert dates[0] == np.datetime64("2025-01-31")
    assert dates[1] == np.datetime64("2025-02-01")
    assert np.isnat(dates[2])


def test_each_pump_may_have_days_of_its_own() -> None:
    days = np.array([[10.0, 20.0], [40.0, 80.0]])
    p_below_at = np.array([[0.2, 0.6], [0.2, 0.6]])
    assert days_until(0.4, np.zeros(2), p_below_at, days).tolist() == [15.0, 60.0]
