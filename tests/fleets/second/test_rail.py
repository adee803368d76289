import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.fleets.second.rail import Knee, build_rate_bar_per_s, held, laminar_for, reach


def test_at_what_is_reached_leaks_take_all_that_is_delivered():
    flow, laminar, orifice, viscosity = 0.8, 0.6, 0.1, 1.7
    r = reach(flow, laminar, orifice, viscosity)
    assert laminar * r / viscosity + orifice * np.sqrt(r) == pytest.approx(flow)


def test_reach_goes_as_speed_times_viscosity_where_all_leaks_are_laminar():
    once = reach(1.0, 0.7, 0.0, 1.0)
    assert reach(1.2, 0.7, 0.0, 1.5) == pytest.approx(1.2 * 1.5 * once)


def test_an_orifice_makes_reach_answer_more_to_speed_and_less_to_viscosity():
    once = reach(1.0, 0.6, 0.1, 1.0)
    assert reach(1.2, 0.6, 0.1, 1.0) / once > 1.2
    assert 1.0 < reach(1.0, 0.6, 0.1, 1.5) / once < 1.5


def test_the_leak_for_a_reserve_gives_that_reserve():
    laminar = laminar_for(1.4, 0.9, 0.08)
    assert reach(0.9, laminar, 0.08, 1.0) == pytest.approx(1.4)


@pytest.mark.parametrize(("knee", "sharpness"), [(Knee.P_NORM, 16.0), (Knee.LOGISTIC, 9.0)])
def test_what_is_held_is_below_cap_and_reach_and_near_the_lower_when_they_are_far_apart(
    knee, sharpness
):
    reached, cap = np.meshgrid(np.linspace(0.1, 4.0, 79), np.linspace(0.9, 1.1, 9))
    level = held(reached, cap, knee, sharpness)
    assert (level <= np.minimum(reached, cap)).all()
    apart = np.abs(reached - cap) > 0.6
    assert level[apart] == pytest.approx(np.minimum(reached, cap)[apart], rel=0.01)
    assert (np.diff(level, axis=1) >= 0).all()


def test_a_climb_takes_as_long_as_the_balance_integrated_in_time():
    target, swept, volume = 700.0, 3.0, 90.0
    flow, laminar, orifice, viscosity, temp_c = 0.95, 0.65, 0.08, 1.3, 25.0

    def rise(_, pressure):
        share = pressure / target
        net = flow - laminar * share / viscosity - orifice * np.sqrt(share)
        return (14_500 + 9 * pressure - 55 * (temp_c - 40)) / volume * swept * net

    def top(_, pressure):
        return pressure[0] - 400.0

    top.terminal = True
    climb = solve_ivp(rise, (0, 30), [60.0], events=top, rtol=1e-9, atol=1e-9)
    rate = build_rate_bar_per_s(
        60.0, 400.0, target_bar=target, swept_ml_per_s=swept, volume_ml=volume, flow=flow,
        laminar=laminar, orifice=orifice, viscosity=viscosity, temp_c=temp_c,
    )  # fmt: skip
    assert rate == pytest.approx(340.0 / climb.t_events[0][0], rel=1e-4)


def test_there_is_no_rate_up_to_a_pressure_that_is_not_reached():
    rate = build_rate_bar_per_s(
        60.0, np.array([300.0, 650.0]), target_bar=700.0, swept_ml_per_s=3.0, volume_ml=90.0,
        flow=0.5, laminar=0.8, orifice=0.0, viscosity=1.0, temp_c=40.0,
    )  # fmt: skip
    assert np.isfinite(rate).tolist() == [True, False]
