from __future__ import annotations

import math

import numpy as np
import pytest

from fleetdb.trend.at_reference import build_rate_at_reference, proof_ratio_at_reference
from tests.fleetdb.trend.pump_readings import CONSTANTS, WINDOWS, build_of, ratio_of, readings

COLD, FAST, KIT = 0.2, 0.06, -0.05
WARMTH = CONSTANTS.viscosity_power * COLD


def made(ln_reserve: float, **conditions: float):
    """Return a test of a pump as the model says it reads, cold, fast, with a low kit."""
    ln_speed, ln_viscosity = conditions.get("ln_speed", 0.0), conditions.get("ln_viscosity", 0.0)
    ln_kit = conditions.get("ln_kit", 0.0)
    shift = ln_speed + CONSTANTS.viscosity_power * ln_viscosity
    ln_ratio = float(ratio_of(ln_reserve + shift)) + ln_kit
    return readings([1.0], ln_ratio, **conditions), np.array([ln_reserve])


@pytest.mark.parametrize("reserve", [0.6, 0.9, 1.0, 1.4, 2.5])
def test_a_reading_comes_back_to_what_the_pump_reads_at_reference(reserve: float) -> None:
    own, ln_reserve = made(math.log(reserve), ln_speed=FAST, ln_viscosity=COLD, ln_kit=KIT)
    found = proof_ratio_at_reference(own, ln_reserve, CONSTANTS)

    assert found.corrected[0] == pytest.approx(math.exp(float(ratio_of(math.log(reserve)))))
    assert found.raw[0] == pytest.approx(
        found.corrected[0] * found.kit[0] * found.temperature[0] * found.speed[0]
    )
    assert found.kit[0] == pytest.approx(math.exp(KIT))


def test_far_below_the_cap_the_whole_of_the_conditions_shows() -> None:
    own, ln_reserve = made(math.log(0.4), ln_speed=FAST, ln_viscosity=COLD)
    found = proof_ratio_at_reference(own, ln_reserve, CONSTANTS)

    assert found.temperature[0] == pytest.approx(math.exp(WARMTH), rel=1e-3)
    assert found.speed[0] == pytest.approx(math.exp(FAST), rel=1e-3)


def test_at_the_cap_the_conditions_make_nothing() -> None:
    own, ln_reserve = made(math.log(3.0), ln_speed=FAST, ln_viscosity=COLD)
    found = proof_ratio_at_reference(own, ln_reserve, CONSTANTS)

    assert found.temperature[0] == pytest.approx(1, abs=1e-4)
    assert found.speed[0] == pytest.approx(1, abs=1e-4)


def test_a_test_at_reference_conditions_is_left_as_it_is() -> None:
    own = readings([1.0], math.log(0.83), math.log(310.0))
    reserve = np.array([math.log(0.9)])

    for found, raw in (
        (proof_ratio_at_reference(own, reserve, CONSTANTS), 0.83),
        (build_rate_at_reference(own, WINDOWS, reserve, CONSTANTS), 310.0),
    ):
        assert found.corrected[0] == pytest.approx(raw)
        assert found.kit[0] == found.temperature[0] == found.speed[0] == 1


def test_a_build_rate_goes_as_speed_and_less_is_held_back_when_cold() -> None:
    ln_reserve = math.log(1.3)
    # What a pump with 1.3 times e^(fast + cold) in hand builds, and faster by the speed itself.
    ln_build = float(build_of(ln_reserve + FAST + WARMTH) + FAST) - CONSTANTS.volumetric_share * (
        FAST + WARMTH
    )
    ln_build += CONSTANTS.stiffness_power * COLD
    own = readings([1.0], ln_build=ln_build, ln_speed=FAST, ln_viscosity=COLD)
    found = build_rate_at_reference(own, WINDOWS, np.array([ln_reserve]), CONSTANTS)

    # The filter's table of windows is stepped by 0.02 in ln reach.
    assert found.corrected[0] == pytest.approx(math.exp(float(build_of(ln_reserve))), rel=1e-3)
    assert found.speed[0] > math.exp(FAST)
    assert found.temperature[0] > 1


def test_a_low_kit_shows_a_slower_climb_timed_over_higher_pressures() -> None:
    reserve = math.log(1.2)
    own = readings([1.0], ln_build=float(build_of(reserve, ln_kit=KIT)), ln_kit=KIT)
    found = build_rate_at_reference(own, WINDOWS, np.array([reserve]), CONSTANTS)

    assert found.kit[0] < math.exp(KIT) - 0.01
    assert found.corrected[0] == pytest.approx(math.exp(float(build_of(reserve))), rel=2e-3)


def test_what_was_not_measured_has_no_figure() -> None:
    own = readings([1.0])
    for found in (
        proof_ratio_at_reference(own, np.zeros(1), CONSTANTS),
        build_rate_at_reference(own, WINDOWS, np.zeros(1), CONSTANTS),
    ):
        assert np.isnan([found.raw[0], found.corrected[0]]).all()
