"""Saturated, frozen and lost signals are told from quiet ones."""

from __future__ import annotations

import numpy as np

from fleetdb.trace.signal_faults import signal_faults

RATE_HZ = 200.0
TIME_S = np.arange(1600) / RATE_HZ
NOISE = np.random.default_rng(1).normal(0.0, 3.0, len(TIME_S))
CLIMB_BAR = 900.0 * -np.expm1(-TIME_S / 1.0)


def test_a_plain_noisy_trace_has_no_fault() -> None:
    assert signal_faults(TIME_S, CLIMB_BAR + NOISE) == []


def test_a_signal_cut_off_at_its_highest_is_saturated() -> None:
    cut = np.minimum(CLIMB_BAR + NOISE, 700.0)

    [problem] = signal_faults(TIME_S, cut)
    assert "saturated" in problem.detail and "700 bar" in problem.detail
    index = int(problem.pointer.removeprefix("/rail_bar/"))
    assert cut[index] == 700.0


def test_saturation_shows_beside_a_steep_climb_and_noise_in_proportion() -> None:
    # 900 bar/s at 100 Hz: from sample to sample the slope is more than the noise, and at rest
    # there is none.
    time_s = np.arange(900) / 100.0
    noise = 1.0 + 0.005 * np.random.default_rng(2).standard_normal(len(time_s))
    climbed_bar = 600.0 * -np.expm1(-np.maximum(time_s - 1.0, 0.0) / 0.66) * noise

    assert signal_faults(time_s, climbed_bar) == []
    [problem] = signal_faults(time_s, np.minimum(climbed_bar, 500.0))
    assert "saturated" in problem.detail and "500 bar" in problem.detail


def test_noise_within_one_step_of_the_sensor_is_no_fault() -> None:
    # 0.3 bar of noise, read in steps of 2 bar: the climb flickers between steps, the top rests.
    noise = 0.1 * NOISE
    coarse = np.round((np.minimum(CLIMB_BAR, 700.0) + noise) / 2.0) * 2.0

    assert signal_faults(TIME_S, coarse) == []


def test_a_signal_that_stays_on_one_value_below_its_highest_was_frozen() -> None:
    frozen = CLIMB_BAR + NOISE
    frozen[500:700] = frozen[500]

    [problem] = signal_faults(TIME_S, frozen)
    assert problem.pointer == "/rail_bar/500"
    assert "frozen" in problem.detail and "0.995 s" in problem.detail


def test_a_signal_that_never_moves_was_frozen() -> None:
    assert "frozen" in signal_faults(TIME_S, np.full(len(TIME_S), 431.0))[0].detail


def test_a_smooth_signal_may_stay_on_one_value() -> None:
    # No noise anywhere: the flat top is a regulator's, not a sensor's.
    assert signal_faults(TIME_S, np.minimum(CLIMB_BAR, 700.0)) == []


def test_a_coarse_sensor_on_a_quiet_plateau_is_no_fault() -> None:
    coarse = np.round(np.minimum(CLIMB_BAR, 700.0) / 10.0) * 10.0

    assert signal_faults(TIME_S, coarse) == []


def test_nothing_at_rest_is_no_fault() -> None:
    at_rest = np.concatenate([np.zeros(600), (CLIMB_BAR + NOISE)[:1000]])

    assert signal_faults(TIME_S, np.maximum(at_rest, 0.0)) == []


def test_a_signal_that_falls_out_and_comes_back_dropped_out() -> None:
    lost = CLIMB_BAR + NOISE
    lost[900:906] = 2.0
    lost[1200] = 0.0

    [problem] = signal_faults(TIME_S, lost)
    assert problem.pointer == "/rail_bar/900"
    assert "dropped out (2 times)" in problem.detail


def test_pressure_let_off_at_the_end_is_no_dropout() -> None:
    let_off = CLIMB_BAR + NOISE
    let_off[1400:] = 5.0 + 0.1 * NOISE[1400:]

    assert signal_faults(TIME_S, let_off) == []
