"""The decay of a closed rail against the analytic first-order decay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fleetdb.fuel_stiffness import N_DODECANE_STIFFNESS, FuelStiffness
from fleetdb.trace.hold import HoldFigures, hold_figures
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.phases import Phases
from fleetdb.trace.settings import TraceSettings
from tests.fleetdb.trace.rail_balance import Rail, recorded

# With a modulus that depends on nothing the balance dp/dt = -(K/V) G p is of first order:
# p = p0 exp(-t / tau), tau = V / (K G). Its decay at p is p / tau, its half-life tau ln 2.
K_BAR, VOLUME_ML, TAU_S = 16_000.0, 25.0, 12.0
LEAK_ML_PER_MIN = VOLUME_ML / (K_BAR * TAU_S) * 700.0 * 60.0
SETTINGS = TraceSettings(
    target_bar=700.0,
    rail_max_bar=1600.0,
    reference_fuel_temp_c=40.0,
    rail_volume_ml=VOLUME_ML,
    stiffness=FuelStiffness.constant(K_BAR),
)


def held(
    p0: float = 800.0,
    *,
    level_s: float = 2.0,
    length_s: float = 20.0,
    noise: float = 0.0,
    tau_s: float = TAU_S,
    temp_c: float | None = 40.0,
    with_speed: bool = False,
) -> tuple[np.ndarray, Trace]:
    time_s = np.arange(round(length_s * 100)) / 100.0
    since_s = np.maximum(time_s - level_s, 0.0)
    clean = p0 * np.exp(-since_s / tau_s)
    rail_bar = clean * (1 + noise * np.random.default_rng(3).standard_normal(len(time_s)))
    turning = np.where(time_s < level_s, 200.0, 0.0)
    return clean, Trace.checked(
        TraceKind.HOLD,
        time_s,
        rail_bar,
        crank_rpm=turning if with_speed else None,
        fuel_temp_c=None if temp_c is None else np.full(len(time_s), temp_c),
    )


def figures(trace: Trace, settings: TraceSettings = SETTINGS) -> HoldFigures:
    return hold_figures(Phases.of(trace), settings)


@pytest.mark.parametrize("with_speed", [False, True])
@pytest.mark.parametrize(("noise", "within"), [(0.0, 1e-3), (0.01, 0.01)])
def test_first_order_decay_is_found(noise: float, within: float, with_speed: bool) -> None:
    found = figures(held(noise=noise, with_speed=with_speed)[1])

    assert found.at_bar == pytest.approx(700.0, rel=1e-6)
    assert found.decay_bar_per_s.value == pytest.approx(700.0 / TAU_S, rel=within)
    assert found.half_life_s.value == pytest.approx(TAU_S * np.log(2.0), rel=within)
    assert found.leak_ml_per_min.value == pytest.approx(LEAK_ML_PER_MIN, rel=within)


def test_the_level_before_the_decay_is_left_out() -> None:
    window = figures(held(level_s=6.0, noise=0.005)[1]).window

    assert window is not None
    assert window.from_s == pytest.approx(6.0, abs=0.4)


def test_a_decay_from_the_first_sample_on_is_followed_too() -> None:
    found = figures(held(level_s=0.0, noise=0.005)[1])

    assert found.leak_ml_per_min.value == pytest.approx(LEAK_ML_PER_MIN, rel=0.01)


def test_below_the_target_the_decay_is_given_where_it_began() -> None:
    found = figures(held(400.0)[1])

    assert found.at_bar == pytest.approx(400.0, rel=0.01)
    assert found.leak_ml_per_min.value == pytest.approx(LEAK_ML_PER_MIN, rel=0.002)


def test_pressure_let_off_at_the_end_is_not_taken_for_a_leak() -> None:
    trace = held(noise=0.003)[1]
    rail_bar = np.array(trace.rail_bar)
    rail_bar[1500:] *= np.exp(-np.arange(500) / 10.0)
    let_off = Trace.checked(trace.kind, trace.time_s, rail_bar, fuel_temp_c=trace.fuel_temp_c)

    assert figures(let_off).leak_ml_per_min.value == pytest.approx(LEAK_ML_PER_MIN, rel=0.01)


def test_a_tight_rail_leaks_nothing_that_could_be_told() -> None:
    found = figures(held(tau_s=1e9, noise=0.005)[1])
    leak = found.leak_ml_per_min

    assert leak.value is not None and leak.sd is not None
    assert leak.value <= 3.0 * leak.sd
    assert found.half_life_s.reason == "the pressure did not fall measurably"


def test_a_fuel_of_unsure_stiffness_makes_the_decay_less_certain() -> None:
    rail = Rail(regulator_bar=760.0, crank_to_s=4.0, leak_ml_per_s_per_bar=0.2 / 700)
    trace = recorded(rail, TraceKind.HOLD, noise=0.001, length_s=20.0, fuel_temp_c=40.0)
    sure, unsure = (
        replace(SETTINGS, stiffness=replace(N_DODECANE_STIFFNESS, relative_sd=share))
        for share in (0.0, 0.04)
    )
    stiffer = replace(N_DODECANE_STIFFNESS, k0=1.04 * N_DODECANE_STIFFNESS.k0)
    first, second = figures(trace, sure).decay_bar_per_s, figures(trace, unsure).decay_bar_per_s
    other = figures(trace, replace(sure, stiffness=replace(stiffer, relative_sd=0.0)))

    assert first.value == second.value and first.sd is not None and second.sd is not None
    assert first.value is not None and other.decay_bar_per_s.value is not None
    moved = abs(other.decay_bar_per_s.value - first.value)
    assert moved > first.sd
    assert second.sd == pytest.approx(np.hypot(first.sd, moved), rel=0.1)


def test_an_unknown_temperature_makes_the_leak_less_certain() -> None:
    known, unknown = figures(held()[1]), figures(held(temp_c=None)[1])

    assert known.leak_ml_per_min.sd is not None and unknown.leak_ml_per_min.sd is not None
    assert unknown.leak_ml_per_min.sd > 5 * known.leak_ml_per_min.sd


def test_without_the_rails_volume_there_is_a_decay_and_no_leak() -> None:
    settings = TraceSettings(700.0, 1600.0, 40.0, stiffness=FuelStiffness.constant(K_BAR))
    found = figures(held()[1], settings)

    assert found.decay_bar_per_s.value == pytest.approx(700.0 / TAU_S, rel=1e-3)
    assert found.leak_ml_per_min.reason == "the family does not say rail_volume_ml"


def test_no_pressure_to_hold_says_so() -> None:
    assert "held only 20 bar" in (figures(held(20.0)[1]).decay_bar_per_s.reason or "")
