"""Rest before the climb, overshoot and settling, against curves whose answers are formulas."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trace.figures import TraceFigures, figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.settings import TraceSettings

SETTINGS = TraceSettings(700.0, 1600.0, 40.0)
TIME_S = np.arange(1000) / 100.0
LEVEL_BAR = 650.0


def figures(rail_bar: np.ndarray, noise_bar: float = 0.0) -> TraceFigures:
    noise = noise_bar * np.random.default_rng(9).standard_normal(len(rail_bar))
    return figures_of(Trace.checked(TraceKind.PROOF, TIME_S, rail_bar + noise), SETTINGS)


def second_order(damping: float, natural_rad_per_s: float = 4.0) -> np.ndarray:
    """Step response from one second on (Ogata, Modern Control Engineering, sec. 5-3)."""
    t = np.maximum(TIME_S - 1.0, 0.0)
    damped = natural_rad_per_s * np.sqrt(1 - damping**2)
    fall = np.exp(-damping * natural_rad_per_s * t)
    wave = np.cos(damped * t) + damping / np.sqrt(1 - damping**2) * np.sin(damped * t)
    return LEVEL_BAR * (1.0 - fall * wave)


def first_order(rest_bar: float, tau_s: float = 0.5) -> np.ndarray:
    t = np.maximum(TIME_S - 1.0, 0.0)
    return rest_bar + (LEVEL_BAR - rest_bar) * -np.expm1(-t / tau_s)


# Common practice, no source: about 12 bar can remain at rest with the key on.
@pytest.mark.parametrize(
    ("rest_bar", "is_offset"), [(0.0, False), (12.0, False), (35.0, True), (-15.0, True)]
)
def test_rest_is_read_and_an_offset_told_from_what_remains(
    rest_bar: float, is_offset: bool
) -> None:
    rest = figures(first_order(rest_bar), noise_bar=2.0).rest

    assert rest.pressure_bar.value == pytest.approx(rest_bar, abs=1.0)
    assert rest.is_offset is is_offset
    assert rest.window is not None and rest.window.to_s == pytest.approx(1.0, abs=0.1)


def test_a_trace_that_begins_with_pressure_has_no_rest() -> None:
    found = figures(np.full(len(TIME_S), 640.0), noise_bar=3.0)

    assert found.rest.pressure_bar.reason == "the trace does not begin at rest"
    assert found.build.rate_bar_per_s.reason == "the trace does not begin at rest"
    assert found.plateau.pressure_bar.value == pytest.approx(640.0, rel=0.002)


# The overshoot of a second-order step is exp(-pi z / sqrt(1 - z^2)), at pi / (w sqrt(1 - z^2)).
@pytest.mark.parametrize("damping", [0.5, 0.65])
@pytest.mark.parametrize("noise_bar", [0.0, 3.0])
def test_overshoot_is_that_of_the_formula(damping: float, noise_bar: float) -> None:
    found = figures(second_order(damping), noise_bar).settling
    expected = float(np.exp(-np.pi * damping / np.sqrt(1 - damping**2)))

    assert found.overshoot_share.value == pytest.approx(expected, abs=0.005 + noise_bar / 600.0)
    peak_s = 1.0 + np.pi / (4.0 * np.sqrt(1 - damping**2))
    assert found.peak_s == pytest.approx(peak_s, abs=0.1)


def test_noise_is_no_overshoot() -> None:
    overshoot = figures(first_order(0.0), noise_bar=6.0).settling.overshoot_bar

    assert overshoot.value == 0.0
    assert overshoot.sd is not None and overshoot.sd > 3.0


# A first-order climb is 5 % up at tau ln(1 / 0.95) and within 3 % at tau ln(1 / 0.03).
def test_settling_time_is_that_of_the_formula() -> None:
    settled = figures(first_order(0.0)).settling.settling_time_s

    assert settled.value == pytest.approx(0.5 * np.log(0.95 / 0.03), abs=0.05)


# From 5 % of the target (35 bar) above rest to 630 bar: tau ln((650 - 35) / (650 - 630)).
def test_time_to_near_the_target_is_that_of_the_formula() -> None:
    build = figures(first_order(0.0)).build

    assert build.time_to_near_target_s.value == pytest.approx(0.5 * np.log(615 / 20), abs=0.03)
    assert build.time_to_target_s.reason == "700 bar was not reached"


# From 140 to 490 bar: tau ln((650 - 140) / (650 - 490)).
def test_the_build_rate_is_the_mean_rise_between_its_ends() -> None:
    build = figures(first_order(0.0)).build

    assert (build.from_bar, build.to_bar) == (pytest.approx(140.0), pytest.approx(490.0))
    seconds = 0.5 * np.log(510.0 / 160.0)
    assert build.rate_bar_per_s.value == pytest.approx(350.0 / seconds, rel=0.01)


def test_a_weak_pump_is_timed_up_to_what_it_reaches() -> None:
    t = np.maximum(TIME_S - 1.0, 0.0)
    build = figures(450.0 * -np.expm1(-t / 0.6)).build

    assert build.to_bar == pytest.approx(0.8 * 450.0, rel=0.01)
    assert build.to_bar is not None
    seconds = 0.6 * np.log((450.0 - 140.0) / (450.0 - build.to_bar))
    assert build.rate_bar_per_s.value == pytest.approx((build.to_bar - 140) / seconds, rel=0.01)


# 500 bar/s up, three seconds at 330 bar as an idling control unit holds it, and up again.
def test_a_climb_that_stood_still_on_its_way_has_no_rate() -> None:
    t = TIME_S - 1.0
    held = np.clip(500.0 * t, 0.0, 330.0) + np.clip(500.0 * (t - 3.66), 0.0, 320.0)
    rate = figures(held, noise_bar=2.0).build.rate_bar_per_s

    assert rate.value is None
    assert "stood still for 3." in (rate.reason or "")


def test_a_pressure_still_rising_at_the_end_is_not_level() -> None:
    t = np.maximum(TIME_S - 1.0, 0.0)
    found = figures(600.0 * -np.expm1(-t / 4.0), noise_bar=2.0).plateau

    assert not found.is_level
    assert found.pressure_bar.sd is not None and found.pressure_bar.sd > 1.0


def test_the_plateau_is_looked_for_only_while_the_engine_turns() -> None:
    # Cranked for a short part of a long recording, then the rail left closed.
    time_s = np.arange(6000) / 100.0
    t = np.clip(time_s - 1.0, 0.0, 3.0)
    after = np.maximum(time_s - 4.0, 0.0)
    rail_bar = 500.0 * -np.expm1(-t / 0.3) * np.exp(-after / 200.0)
    noise = np.random.default_rng(4).normal(0.0, 2.0, len(time_s))
    rpm = np.where((time_s > 1.0) & (time_s < 4.0), 200.0, 0.0)
    trace = Trace.checked(TraceKind.PROOF, time_s, rail_bar + noise, crank_rpm=rpm)
    plateau = figures_of(trace, SETTINGS).plateau

    assert plateau.window is not None and 1.5 < plateau.window.from_s < plateau.window.to_s < 4.1
    assert plateau.pressure_bar.value == pytest.approx(500.0, rel=0.004)
