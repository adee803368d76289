"""What the gauges and glasses show: the rail balance under a visit's conditions, with noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.physics import (
    Array,
    Fuel,
    back_leak_ml_per_min,
    build_rate_bar_per_s,
    dynamic_viscosity_mpa_s,
    pump_flow_ml_per_s,
    regulated_pressure_bar,
    steady_pressure_bar,
)
from demo_fleet.scenario import Family
from demo_fleet.visits import Botch, Visits


@dataclass(frozen=True)
class ReadingOptions:
    """Noise of the readings and softness of the regulator.

    ``noise_tail`` above 0 makes the proof's noise heavy-tailed: the share of readings
    whose noise is three times as large.
    """

    proof_noise: float = 0.015
    build_noise: float = 0.04
    leak_noise: float = 0.07
    temp_noise_c: float = 1.5
    crank_noise: float = 0.01
    noise_tail: float = 0.0
    # 650 of 700 bar (0.93) is what a very sound pump shows: common practice, no source.
    regulator_cap: tuple[float, float] = (0.93, 1.0)
    regulator_sharpness: float = 20.0
    valve_leak_factor: tuple[float, float] = (1.8, 4.5)
    air_flow_factor: tuple[float, float] = (0.35, 0.75)


@dataclass(frozen=True)
class System:
    """Pump, injectors, regulator and supply of one vehicle, one row per visit."""

    efficiency: Array
    pump_conductance: Array
    cylinder_conductance: Array
    regulator_conductance: Array
    regulator_cap: float
    stiffness_bar_per_ml: float

    @property
    def conductance(self) -> Array:
        return (
            self.pump_conductance
            + self.cylinder_conductance.sum(axis=1)
            + self.regulator_conductance
        )


@dataclass(frozen=True)
class Readings:
    """What each visit's technician could write down; ``build_rate`` NaN: never got there.

    Shapes (n_visits,), ``leak_ml`` (n_visits, cylinders).
    """

    actual_bar: Array
    build_rate_bar_per_s: Array
    build_from_bar: Array
    build_to_bar: Array
    leak_duration_s: Array
    leak_rail_bar: Array
    leak_ml: Array
    fuel_temp_c: Array
    crank_rpm: Array
    battery_v: Array


def measure(
    options: ReadingOptions,
    family: Family,
    fuel: Fuel,
    system: System,
    visits: Visits,
    kit_bias: Array,
) -> Readings:
    """Return the readings of ``visits`` made on ``system`` with kits off by ``kit_bias``."""
    noise, draws = visits.noise, visits.draws
    viscosity = dynamic_viscosity_mpa_s(fuel, visits.fuel_temp_c) * visits.viscosity_factor
    flow = pump_flow_ml_per_s(
        system.efficiency, family.displacement_ml_per_engine_rev, visits.crank_rpm
    ) * _factor(visits, Botch.AIR_IN_FUEL, options.air_flow_factor)
    conductance = system.conductance * _factor(
        visits, Botch.VALVE_NOT_SEATED, options.valve_leak_factor
    )
    reach = steady_pressure_bar(flow, conductance, viscosity)
    cap = np.full_like(reach, system.regulator_cap * family.proof_target_bar)
    pressure = regulated_pressure_bar(reach, cap, options.regulator_sharpness)
    gauge = 1 + kit_bias
    tail = np.where(draws[:, 0] < options.noise_tail, 3.0, 1.0)
    actual = pressure * gauge * (1 + options.proof_noise * tail * noise[:, 0])
    from_bar, to_bar = _build_span(family, visits)
    # The stopwatch starts and stops at what the gauge shows, not at what is there.
    rate = build_rate_bar_per_s(
        flow, conductance, viscosity, np.asarray(system.stiffness_bar_per_ml),
        from_bar / gauge, to_bar / gauge,
    ) * gauge  # fmt: skip
    duration = np.array([60.0, 90.0, 120.0])[visits.workshop % 3]
    rail = np.round(family.proof_target_bar * (0.45 + 0.2 * draws[:, 1]), -1)
    leak = back_leak_ml_per_min(
        system.cylinder_conductance, (rail / gauge)[:, None], viscosity[:, None]
    )
    crank_share = visits.crank_rpm / family.reference_crank_rpm
    return Readings(
        actual_bar=np.round(np.clip(actual, 0, family.rail_max_bar)),
        build_rate_bar_per_s=np.round(rate * np.exp(options.build_noise * noise[:, 1])),
        build_from_bar=from_bar,
        build_to_bar=to_bar,
        leak_duration_s=duration,
        leak_rail_bar=rail,
        leak_ml=np.round(
            leak * (duration / 60)[:, None] * np.exp(options.leak_noise * noise[:, 8:]), 1
        ),
        fuel_temp_c=np.round(visits.fuel_temp_c + options.temp_noise_c * noise[:, 2]),
        crank_rpm=np.round(visits.crank_rpm * (1 + options.crank_noise * noise[:, 3])),
        battery_v=np.round(
            family.system_v * (0.93 + 0.12 * (crank_share - 1) + 0.02 * noise[:, 4]), 1
        ),
    )


def _factor(visits: Visits, botch: Botch, span: tuple[float, float]) -> Array:
    low, high = span
    return np.where(visits.botch == botch, low + (high - low) * visits.draws[:, 2], 1.0)


def _build_span(family: Family, visits: Visits) -> tuple[Array, Array]:
    """Each workshop times its own span."""
    upper = np.array([0.55, 0.50, 0.45])[visits.workshop % 3]
    lower = np.array([100.0, 100.0, 50.0])[visits.workshop % 3]
    return lower, np.round(upper * family.proof_target_bar, -1)
