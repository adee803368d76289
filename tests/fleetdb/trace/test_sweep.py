"""Pressure against duty: the line, what is off it, and facts of the trade."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.sweep import SweepFigures, sweep_figures


def swept(duty_pct: np.ndarray, rail_bar: np.ndarray, *, lag_s: float = 0.0) -> SweepFigures:
    time_s = np.arange(len(duty_pct)) / 100.0
    if lag_s:
        followed = np.empty_like(rail_bar)
        level = rail_bar[0]
        for index, value in enumerate(rail_bar):
            level += (value - level) * 0.01 / lag_s
            followed[index] = level
        rail_bar = followed
    noise = np.random.default_rng(5).normal(0.0, 2.0, len(rail_bar))
    return sweep_figures(
        Trace.checked(TraceKind.DUTY_SWEEP, time_s, rail_bar + noise, duty_pct=duty_pct)
    )


STEPS_PCT = np.repeat(np.arange(20.0, 62.0, 3.0), 200)
RAMP_PCT = np.concatenate([np.linspace(15.0, 60.0, 2000), np.linspace(60.0, 15.0, 2000)])


# Common practice, no source: on a 1600-bar system 22 % gives roughly 300 to 350 bar at idle,
# 45 % about 700, almost on a straight line.
def test_the_practitioners_two_points_are_on_the_line() -> None:
    found = swept(STEPS_PCT, 16.3 * STEPS_PCT - 33.5)
    slope, at_zero = found.slope_bar_per_pct.value, found.at_zero_duty_bar.value

    assert slope is not None and at_zero is not None
    assert 300.0 < at_zero + 22.0 * slope < 350.0
    assert at_zero + 45.0 * slope == pytest.approx(700.0, abs=5.0)
    assert abs(found.departure_share.value or 0.0) < 0.01


def test_a_regulator_that_sticks_is_off_the_line_where_it_sticks() -> None:
    stuck = 16.0 * STEPS_PCT + np.where(STEPS_PCT == 50.0, -60.0, 0.0)
    found = swept(STEPS_PCT, stuck)

    assert found.worst_duty_pct == pytest.approx(50.0)
    assert found.departure_bar.value == pytest.approx(-60.0, abs=3.0)
    assert found.departure_share.value == pytest.approx(-60.0 / (16.0 * 39.0), abs=0.01)
    assert found.slope_bar_per_pct.value == pytest.approx(16.0, rel=0.01)


def test_a_stretch_in_the_middle_that_is_off_does_not_draw_the_line_to_it() -> None:
    stuck = 16.0 * STEPS_PCT + np.where((STEPS_PCT > 36.0) & (STEPS_PCT < 45.0), -60.0, 0.0)
    found = swept(STEPS_PCT, stuck)

    assert found.departure_bar.value == pytest.approx(-60.0, abs=3.0)
    assert found.at_zero_duty_bar.value == pytest.approx(0.0, abs=4.0)


def test_samples_that_still_follow_a_step_do_not_count() -> None:
    found = swept(STEPS_PCT, 16.0 * STEPS_PCT, lag_s=0.08)

    assert found.slope_bar_per_pct.value == pytest.approx(16.0, rel=0.005)
    assert abs(found.departure_bar.value or 0.0) < 4.0


def test_hysteresis_is_what_falling_duty_reads_more() -> None:
    rising = np.arange(len(RAMP_PCT)) < 2000
    found = swept(RAMP_PCT, 16.0 * RAMP_PCT + np.where(rising, -9.0, 9.0))

    assert found.hysteresis_bar.value == pytest.approx(18.0, abs=2.0)
    assert found.slope_bar_per_pct.value == pytest.approx(16.0, rel=0.01)


def test_a_duty_that_is_read_back_with_noise_is_no_step() -> None:
    noisy = RAMP_PCT + np.random.default_rng(6).normal(0.0, 0.05, len(RAMP_PCT))
    rising = np.arange(len(RAMP_PCT)) < 2000
    found = swept(noisy, 16.0 * RAMP_PCT + np.where(rising, -9.0, 9.0))

    assert found.hysteresis_bar.value == pytest.approx(18.0, abs=3.0)


def test_one_way_only_has_no_hysteresis() -> None:
    found = swept(STEPS_PCT, 16.0 * STEPS_PCT)

    assert found.hysteresis_bar.reason == "the duty was not taken both up and down"


def test_a_duty_that_hardly_moves_is_no_sweep() -> None:
    found = swept(np.repeat([30.0, 31.0], 400), np.repeat([480.0, 496.0], 400))

    assert "the duty took 2 values" in (found.slope_bar_per_pct.reason or "")
