from dataclasses import replace

import numpy as np
import pytest

from demo_fleet.physics import Fuel
from demo_fleet.readings import ReadingOptions, System, measure
from demo_fleet.scenario import FAMILIES
from demo_fleet.visits import Botch, Visits

FAMILY = FAMILIES[0]
QUIET = ReadingOptions(proof_noise=0, build_noise=0, leak_noise=0, temp_noise_c=0, crank_noise=0)


def visits(n=1, temp_c=40.0, crank_rpm=None, botch=Botch.NONE):
    return Visits(
        day=np.arange(n) + 0.4,
        workshop=np.zeros(n, dtype=np.int64),
        kit=np.zeros(n, dtype=np.int64),
        fuel_temp_c=np.broadcast_to(np.asarray(temp_c, dtype=np.float64), n),
        crank_rpm=np.full(n, crank_rpm or FAMILY.reference_crank_rpm),
        viscosity_factor=np.ones(n),
        botch=np.full(n, botch),
        noise=np.zeros((n, 8 + FAMILY.cylinders)),
        draws=np.full((n, 16), 0.5),
    )


def system_of(reserve, n=1, cap=0.96):
    """A system that reaches ``reserve`` times the target at reference conditions."""
    viscosity = 2.8 * (834 - 0.68 * 25) / 1000
    flow = 0.9 * FAMILY.displacement_ml_per_engine_rev * FAMILY.reference_crank_rpm / 60
    total = flow * viscosity / (reserve * FAMILY.proof_target_bar)
    return System(
        efficiency=np.full(n, 0.9),
        pump_conductance=np.full(n, 0.6 * total),
        cylinder_conductance=np.full((n, FAMILY.cylinders), 0.3 * total / FAMILY.cylinders),
        regulator_conductance=np.full(n, 0.1 * total),
        regulator_cap=cap,
        stiffness_bar_per_ml=350.0,
    )


def read(reserve, bias=0.0, options=QUIET, **conditions):
    made = visits(**conditions)
    n = len(made)
    return measure(options, FAMILY, Fuel(), system_of(reserve, n), made, np.full(n, bias))


def test_a_strong_pump_shows_the_regulator_s_cap_and_a_weak_one_its_reserve():
    assert read(2.0).actual_bar[0] == pytest.approx(0.96 * 700, abs=1)
    assert read(0.6).actual_bar[0] == pytest.approx(0.6 * 700, abs=1)


def test_warm_fuel_makes_a_weak_pump_look_weaker():
    cold, warm = read(0.9, n=2, temp_c=[15.0, 60.0]).actual_bar
    assert warm < 0.75 * 700 < cold


def test_slow_cranking_lowers_what_is_reached():
    assert read(0.9, crank_rpm=105).actual_bar[0] == pytest.approx(0.45 * 700, abs=1)


def test_the_build_rate_falls_while_the_proof_still_shows_the_cap():
    new, worn = read(2.2), read(1.3)
    assert worn.actual_bar[0] > 0.99 * new.actual_bar[0]
    assert worn.build_rate_bar_per_s[0] < 0.95 * new.build_rate_bar_per_s[0]


def test_a_kit_that_reads_low_lowers_proof_and_build_by_as_much_but_not_the_leak():
    true, low = read(2.0), read(2.0, bias=-0.05)
    assert low.actual_bar[0] == pytest.approx(0.95 * true.actual_bar[0], abs=1)
    assert low.build_rate_bar_per_s[0] < true.build_rate_bar_per_s[0]
    # The run is made at what the gauge shows, so the rail holds a little more.
    assert low.leak_ml[0] == pytest.approx(true.leak_ml[0] / 0.95, abs=0.15)


@pytest.mark.parametrize("botch", [Botch.VALVE_NOT_SEATED, Botch.AIR_IN_FUEL])
def test_a_botched_run_reads_far_below_the_pump(botch):
    assert read(1.5, botch=botch).actual_bar[0] < 0.9 * read(1.5).actual_bar[0]


def test_a_pressure_never_reached_has_no_build_rate():
    assert np.isnan(read(0.3).build_rate_bar_per_s[0])


def test_readings_never_pass_what_the_rail_can_hold():
    wild = replace(QUIET, proof_noise=5.0)
    made = replace(visits(), noise=np.full((1, 8 + FAMILY.cylinders), 3.0))
    shown = measure(wild, FAMILY, Fuel(), system_of(2.0), made, np.zeros(1))
    assert shown.actual_bar[0] == FAMILY.rail_max_bar
