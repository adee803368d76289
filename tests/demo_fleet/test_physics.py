import numpy as np
import pytest
from scipy.integrate import solve_ivp

from demo_fleet.physics import (
    Fuel,
    back_leak_ml_per_min,
    build_rate_bar_per_s,
    dynamic_viscosity_mpa_s,
    kinematic_viscosity_mm2_per_s,
    pump_flow_ml_per_s,
    regulated_pressure_bar,
    steady_pressure_bar,
)
from demo_fleet.scenario import FAMILIES


def test_walther_law_gives_the_published_value_between_its_two_points():
    # 32 mm2/s at 40 C and 5.4 at 100 C give 8.5 at 80 C: a calculation sheet citing
    # ASTM D341; 8.53321 recomputed with 273.15.
    oil = Fuel(viscosity_40c_mm2_per_s=32, viscosity_100c_mm2_per_s=5.4)
    assert kinematic_viscosity_mm2_per_s(oil, 80) == pytest.approx(8.53321, abs=2e-5)


@pytest.mark.parametrize(("temp_c", "viscosity"), [(40, 2.8), (100, 1.2)])
def test_the_fuel_has_its_own_viscosities_even_below_2_mm2_per_s(temp_c, viscosity):
    assert kinematic_viscosity_mm2_per_s(Fuel(), temp_c) == pytest.approx(viscosity, rel=1e-9)


def test_thin_fluid_follows_dodecane_between_the_anchors():
    # n-Dodecane at 1 bar: CoolProp 8.0 (EOS Lemmon & Huber 2004, viscosity Huber et al.
    # 2004). Kinematic viscosity mu/rho at 40 and 80 C; its 100 C value is found here so
    # that 80 C is met, and 60 and 20 C are then predictions.
    at_c = {20: 1.4885 / 0.74944, 40: 1.0610 / 0.73464, 60: 0.8002 / 0.71986, 80: 0.6284 / 0.70501}
    low, high = 0.3, 1.2
    for _ in range(60):
        middle = (low + high) / 2
        fuel = Fuel(at_c[40], middle)
        if kinematic_viscosity_mm2_per_s(fuel, 80) < at_c[80]:
            low = middle
        else:
            high = middle
    for temp_c in (20, 60):
        # The plain v + 0.7 form errs by 2.2 % on this fluid.
        assert kinematic_viscosity_mm2_per_s(fuel, temp_c) == pytest.approx(at_c[temp_c], rel=0.006)


def test_the_default_fuel_is_within_en_590():
    # EN 590: 2.00 to 4.50 mm2/s at 40 C, 820 to 845 kg/m3 at 15 C.
    fuel = Fuel()
    assert 2.00 <= fuel.viscosity_40c_mm2_per_s <= 4.50
    assert 820 <= fuel.density_15c_kg_per_m3 <= 845


def test_dynamic_viscosity_is_kinematic_times_density():
    fuel = Fuel()
    expected = 2.8 * (834 - 0.68 * 25) / 1000
    assert dynamic_viscosity_mpa_s(fuel, 40) == pytest.approx(expected)


def test_pump_flow_is_stroke_times_speed():
    assert pump_flow_ml_per_s(0.5, 0.6, 200) == pytest.approx(1.0)


def rail_balance(flow, conductance, viscosity, stiffness):
    return lambda _, p: stiffness * (flow - conductance * p / viscosity)


def test_the_steady_pressure_is_where_the_balance_stands_still():
    flow, conductance, viscosity, stiffness = 2.0, 0.003, 2.3, 350.0
    steady = steady_pressure_bar(np.array(flow), np.array(conductance), np.array(viscosity))
    assert rail_balance(flow, conductance, viscosity, stiffness)(0, steady) == pytest.approx(0)


def test_the_build_rate_agrees_with_integrating_the_balance():
    flow, conductance, viscosity, stiffness = 2.0, 0.006, 2.3, 350.0
    from_bar, to_bar = 100.0, 400.0

    def there(_, p):
        return p[0] - to_bar

    there.terminal = True
    run = solve_ivp(
        rail_balance(flow, conductance, viscosity, stiffness),
        (0, 60), [from_bar], events=there, rtol=1e-10, atol=1e-8,
    )  # fmt: skip
    rate = build_rate_bar_per_s(
        *(np.array(v) for v in (flow, conductance, viscosity, stiffness, from_bar, to_bar))
    )
    assert rate == pytest.approx((to_bar - from_bar) / run.t_events[0][0], rel=1e-7)


def test_without_leaks_worth_naming_the_rate_is_flow_times_stiffness():
    rate = build_rate_bar_per_s(*(np.array(v) for v in (2.0, 1e-9, 2.3, 350.0, 100.0, 400.0)))
    assert rate == pytest.approx(700.0, rel=1e-5)


def test_a_pressure_out_of_reach_has_no_build_rate():
    rate = build_rate_bar_per_s(*(np.array(v) for v in (2.0, 0.02, 2.3, 350.0, 100.0, 400.0)))
    assert np.isnan(rate)


def test_the_regulator_caps_a_strong_pump_and_leaves_a_weak_one_alone():
    caps = np.array([650.0, 650.0])
    strong, weak = regulated_pressure_bar(np.array([2000.0, 300.0]), caps, 20.0)
    assert strong == pytest.approx(650.0, rel=1e-6)
    assert weak == pytest.approx(300.0, rel=1e-6)


def test_the_soft_minimum_is_symmetric_and_below_both():
    one = regulated_pressure_bar(np.array(640.0), np.array(660.0), 12.0)
    other = regulated_pressure_bar(np.array(660.0), np.array(640.0), 12.0)
    assert one == pytest.approx(other)
    assert one < 640.0


def test_the_1600_bar_family_is_proved_as_the_trade_does():
    # 1600 bar rail, regulator held near 45 %, about 700 bar; 650 reached is a very sound
    # pump (0.93); ordinary cranking is about 300 bar, less than half: common practice,
    # no source.
    family = next(f for f in FAMILIES if f.rail_max_bar == 1600)
    assert (family.proof_duty_pct, family.proof_target_bar) == (45, 700)
    assert family.proof_target_bar > 2 * 300
    reached = regulated_pressure_bar(
        np.array(family.new_reserve * family.proof_target_bar), np.array(0.93 * 700), 20.0
    )
    assert reached == pytest.approx(650, abs=2)


def test_twice_the_pressure_leaks_twice_as_much():
    once, twice = back_leak_ml_per_min(np.array(4e-4), np.array([350.0, 700.0]), np.array(2.0))
    assert once == pytest.approx(4e-4 * 350 / 2 * 60)
    assert twice == pytest.approx(2 * once)
