"""Signs that something stepped in, by what the practitioner says happens."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trace.conditions import condition_figures, duty_signs
from fleetdb.trace.figure import Window
from fleetdb.trace.interventions import Sign, signs_of_intervention
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.phases import Phases
from fleetdb.trace.settings import TraceSettings
from tests.fleetdb.trace.rail_balance import Rail, recorded

TIME_S = np.arange(1200) / 100.0
NOISE = np.random.default_rng(8).normal(0.0, 3.0, len(TIME_S))


def settings(unplugged: bool | None = True) -> TraceSettings:
    return TraceSettings(700.0, 1600.0, 40.0, proof_duty_pct=42.0, inlet_valve_unplugged=unplugged)


def climb(level_bar: float = 650.0) -> np.ndarray:
    return np.minimum(1200.0 * -np.expm1(-np.maximum(TIME_S - 1.0, 0.0) / 1.2), level_bar)


def signs(
    rail_bar: np.ndarray,
    rpm: np.ndarray | None = None,
    kind: TraceKind = TraceKind.PROOF,
    unplugged: bool | None = True,
) -> dict[str, Sign]:
    trace = Trace.checked(kind, TIME_S, rail_bar + NOISE, crank_rpm=rpm)
    return {s.code: s for s in signs_of_intervention(Phases.of(trace), settings(unplugged))}


def test_a_plain_proof_has_no_signs() -> None:
    assert signs(climb()) == {}
    cranked = np.where((TIME_S > 1.0) & (TIME_S < 11.0), 200.0, 0.0)
    assert signs(climb(), cranked) == {}


def test_an_integrated_proof_and_its_end_have_no_signs() -> None:
    trace = recorded(Rail(regulator_bar=660.0), with_speed=True)

    assert signs_of_intervention(Phases.of(trace), settings()) == ()


# Common practice, no source: pushing an idling engine's rail to about 500 bar against the
# control unit's map makes it shut the engine down.
def test_an_engine_that_stops_above_500_bar_was_shut_down() -> None:
    rpm = np.where(TIME_S < 8.0, 750.0, np.maximum(750.0 * (1 - (TIME_S - 8.0)), 0.0))
    rail_bar = np.where(TIME_S < 5.0, 330.0, np.where(TIME_S < 8.2, 520.0, 60.0))
    found = signs(rail_bar, rpm, TraceKind.START_UP)

    assert found["shut_down_by_pressure"].at_s == pytest.approx(9.0, abs=0.2)
    assert "520 bar" in found["shut_down_by_pressure"].detail or (
        "52" in found["shut_down_by_pressure"].detail
    )
    assert "pressure_collapsed" not in found


def test_an_engine_that_stops_at_its_idle_pressure_just_stopped() -> None:
    rpm = np.where(TIME_S < 8.0, 750.0, 0.0)
    rail_bar = np.where(TIME_S < 8.2, 330.0, 60.0)
    found = signs(rail_bar, rpm, TraceKind.START_UP)

    assert "engine_stopped" in found and "shut_down_by_pressure" not in found


# Common practice, no source: a running engine begins to struggle near 250 bar.
def test_an_engine_that_runs_below_250_bar_struggles() -> None:
    rpm = np.full(len(TIME_S), 750.0)
    rail_bar = np.where((TIME_S > 4.0) & (TIME_S < 6.0), 220.0, 330.0)

    assert signs(rail_bar, rpm, TraceKind.START_UP)["struggling"].at_s == pytest.approx(
        4.0, abs=0.2
    )
    assert "struggling" not in signs(np.full(len(TIME_S), 330.0), rpm, TraceKind.START_UP)
    # While it is only cranked, low pressure is the beginning of the climb.
    assert "struggling" not in signs(climb(), np.full(len(TIME_S), 200.0))


def test_pressure_lost_at_once_while_the_engine_turns_has_collapsed() -> None:
    rail_bar = np.where(TIME_S > 7.0, 150.0, climb())
    found = signs(rail_bar, np.full(len(TIME_S), 200.0))

    assert found["pressure_collapsed"].at_s == pytest.approx(7.0, abs=0.5)
    # At the end of cranking it is let off.
    stopped = np.where(TIME_S < 7.0, 200.0, 0.0)
    assert "pressure_collapsed" not in signs(rail_bar, stopped)
    assert "pressure_collapsed" not in signs(rail_bar)


@pytest.mark.parametrize(
    ("unplugged", "words"),
    [(False, "was connected"), (None, "was the inlet metering valve unplugged?"), (True, "leak")],
)
def test_a_level_that_steps_down_and_stays_was_moved(unplugged: bool | None, words: str) -> None:
    rail_bar = np.where(TIME_S > 7.0, 520.0, climb())
    found = signs(rail_bar, np.full(len(TIME_S), 200.0), unplugged=unplugged)

    assert found["level_stepped"].at_s == pytest.approx(7.0, abs=0.3)
    assert words in found["level_stepped"].detail


def test_a_level_that_falls_with_the_speed_was_not_moved() -> None:
    rail_bar = np.where(TIME_S > 7.0, 520.0, climb())

    assert "level_stepped" not in signs(rail_bar, np.where(TIME_S > 7.0, 150.0, 200.0))


def test_slow_swings_about_the_level_are_hunting() -> None:
    swing = np.where(TIME_S > 3.0, 20.0 * np.sin(2 * np.pi * 0.9 * TIME_S), 0.0)
    found = signs(climb() + swing)

    assert "0.9 Hz" in found["hunting"].detail or "0.8 Hz" in found["hunting"].detail
    strokes = np.where(TIME_S > 3.0, 20.0 * np.sin(2 * np.pi * 6.0 * TIME_S), 0.0)
    assert "hunting" not in signs(climb() + strokes)


def proof_with_duty(duty_pct: np.ndarray) -> Phases:
    return Phases.of(Trace.checked(TraceKind.PROOF, TIME_S, climb() + NOISE, duty_pct=duty_pct))


PLATEAU = Window(6.0, 11.0)


def test_a_duty_that_was_to_be_held_and_was_is_no_sign() -> None:
    phases = proof_with_duty(np.full(len(TIME_S), 42.5))

    assert duty_signs(phases, PLATEAU, settings()) == ()
    assert condition_figures(phases, PLATEAU).duty_pct.value == pytest.approx(42.5)


def test_another_duty_than_the_familys_is_a_sign() -> None:
    [sign] = duty_signs(proof_with_duty(np.full(len(TIME_S), 38.0)), PLATEAU, settings())

    assert sign.code == "other_duty"
    assert "38 %" in sign.detail and "42 %" in sign.detail


def test_a_duty_that_moves_during_the_plateau_is_a_sign() -> None:
    [sign] = duty_signs(proof_with_duty(np.where(TIME_S > 8.0, 48.0, 42.0)), PLATEAU, settings())

    assert sign.code == "duty_moved"
