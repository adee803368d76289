"""One vehicle's life: pumps worn out one after the other, faults, visits and what was done."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from demo_fleet.climate import DAYS_PER_YEAR
from demo_fleet.faults import CAUSE_OF_PART, Fault, draw_faults
from demo_fleet.options import FleetOptions
from demo_fleet.physics import Array, dynamic_viscosity_mpa_s
from demo_fleet.readings import Readings, System, measure
from demo_fleet.scenario import Family
from demo_fleet.visits import Visits
from demo_fleet.wear import Wear, contamination_share, draw_wear, lost_share

NEW_EFFICIENCY = 0.92
# How the leakage of a new system is shared out; the pump has the rest. Invented.
INJECTOR_SHARE = 0.30
REGULATOR_SHARE = 0.12
LOWEST_RESERVE = 0.25
# No part has lost enough to be named below this (logarithm of the reserve).
NO_CAUSE_BELOW = 0.10


@dataclass
class PumpLife:
    """A fitted pump from ``fitted_day`` to ``removed_day`` (None: still there).

    ``reserve`` is the true delivery reserve with everything else as it is, ``alone``
    with everything else new; both on the daily grid.
    """

    wear: Wear
    fitted_day: float
    new_reserve: float
    reserve: Array
    alone: Array
    deficits: dict[str, Array]
    removed_day: float | None = None
    failed: bool = False
    cause: str | None = None


@dataclass
class Finding:
    """What somebody found, or a part that was changed for it."""

    day: float
    part: str
    outcome: str


@dataclass
class VehicleLife:
    """Everything that happened to one vehicle, before anybody wrote it down.

    ``visits`` and ``readings`` have one entry per entry of ``pumps``.
    """

    family: Family
    entry_day: float
    odometer_km: Array
    pumps: list[PumpLife] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    visits: list[Visits] = field(default_factory=list)
    readings: list[Readings] = field(default_factory=list)


@dataclass(frozen=True)
class _Build:
    """How this vehicle came from the factory; conductances in ml/s * mPa s / bar."""

    reach_constant: float
    nominal: float
    cylinders: Array
    regulator: float
    stiffness_bar_per_ml: float
    contamination_days: Array
    contamination_draws: Array


@dataclass(frozen=True)
class _Path:
    """A pump's condition on the daily grid, everything else aside."""

    alone: Array
    efficiency: Array
    conductance: Array
    contaminated: Array
    worn: Array
    regulator_cap: float
    wear: Wear
    new_reserve: float


def live(
    options: FleetOptions,
    family: Family,
    entry_day: float,
    daily_km: Array,
    visits: Visits,
    kit_bias: list[Array],
    rng: np.random.Generator,
) -> VehicleLife:
    """Run one vehicle through the history.

    ``daily_km`` has one entry per day; ``entry_day`` is negative for a vehicle that
    was already in service when the history starts.
    """
    days = options.days
    day = np.arange(days + 1, dtype=np.float64)
    km_per_day = float(daily_km.mean())
    driven = np.concatenate([[0.0], np.cumsum(np.where(day[:-1] >= entry_day, daily_km, 0.0))])
    odometer = max(-entry_day, 0.0) * km_per_day + driven
    life = VehicleLife(family, entry_day, odometer)
    life.faults = draw_faults(options.faults, family.cylinders, max(entry_day, 0.0), days, rng)
    build = _draw_build(options, family, entry_day, rng)

    wear = draw_wear(options.wear, rng)
    pump_km = float(odometer[0])
    fitted_day = entry_day
    if pump_km > 0.9 * wear.life_km:
        pump_km = 0.9 * wear.life_km * float(rng.random())
        fitted_day = -pump_km / km_per_day
    fitted_km = float(odometer[0]) - pump_km
    while fitted_day < days:
        path = _draw_path(options, family, build, wear, day, odometer - fitted_km, fitted_day, rng)
        pump = _until_it_fails(options, family, build, path, day, fitted_day, life, rng)
        replaced_day = _test_and_decide(
            options, build, path, pump, day, visits, kit_bias, life, rng
        )
        life.pumps.append(pump)
        if replaced_day is None:
            break
        fitted_day = replaced_day
        fitted_km = float(np.interp(fitted_day, day, odometer))
        wear = draw_wear(options.wear, rng)
    return life


def _draw_build(
    options: FleetOptions, family: Family, entry_day: float, rng: np.random.Generator
) -> _Build:
    viscosity = float(dynamic_viscosity_mpa_s(options.fuel, family.reference_fuel_temp_c))
    reach_constant = (
        family.displacement_ml_per_engine_rev * family.reference_crank_rpm / 60 * viscosity
    ) / family.proof_target_bar
    nominal = NEW_EFFICIENCY * reach_constant / (family.new_reserve * options.wear.reserve_factor)
    years = max(options.days - max(entry_day, 0.0), 0.0) / DAYS_PER_YEAR
    count = rng.poisson(options.wear.contaminations_per_year * years)
    return _Build(
        reach_constant=reach_constant,
        nominal=nominal,
        cylinders=INJECTOR_SHARE * nominal / family.cylinders
        * np.exp(0.12 * rng.normal(size=family.cylinders)),
        regulator=REGULATOR_SHARE * nominal * float(np.exp(0.15 * rng.normal())),
        stiffness_bar_per_ml=options.fuel.bulk_modulus_bar / family.trapped_volume_ml
        * float(np.exp(0.06 * rng.normal())),
        contamination_days=np.sort(rng.uniform(max(entry_day, 0.0), options.days, count)),
        contamination_draws=rng.random((count, 2)),
    )  # fmt: skip


def _draw_path(
    options: FleetOptions,
    family: Family,
    build: _Build,
    wear: Wear,
    day: Array,
    pump_km: Array,
    fitted_day: float,
    rng: np.random.Generator,
) -> _Path:
    law = options.wear
    pump_share = 1 - INJECTOR_SHARE - REGULATOR_SHARE
    new_conductance = (
        pump_share * build.nominal * np.exp(law.new_scatter / pump_share * rng.normal())
    )
    new_efficiency = NEW_EFFICIENCY * float(np.exp(0.02 * rng.normal()))
    others = build.cylinders.sum() + build.regulator
    new_reserve = float(new_efficiency * build.reach_constant / (new_conductance + others))
    worn = lost_share(wear, pump_km)
    contaminated = np.zeros_like(day)
    for at_day, draws in zip(build.contamination_days, build.contamination_draws, strict=True):
        if at_day >= fitted_day:
            contaminated += contamination_share(law, wear, day, pump_km, at_day, draws)
    lost = (new_reserve - family.proof_ratio_limit) * (worn + contaminated)
    alone = np.maximum(new_reserve - lost, LOWEST_RESERVE)
    efficiency = new_efficiency * (alone / new_reserve) ** law.efficiency_share
    low, high = options.readings.regulator_cap
    return _Path(
        alone=alone,
        efficiency=efficiency,
        conductance=efficiency * build.reach_constant / alone - others,
        contaminated=contaminated,
        worn=worn,
        regulator_cap=float(rng.uniform(low, high)),
        wear=wear,
        new_reserve=new_reserve,
    )


def _extra(build: _Build, faults: list[Fault], day: Array) -> tuple[Array, Array, Array]:
    """Return what faults add: conductance of each cylinder, of the regulator, flow held back."""
    cylinders = np.zeros((day.size, build.cylinders.size))
    regulator = np.zeros_like(day)
    passed = np.ones_like(day)
    for fault in faults:
        value = fault.value(day)
        if fault.part == "injector" and fault.cylinder is not None:
            cylinders[:, fault.cylinder - 1] += value * build.cylinders[fault.cylinder - 1]
        elif fault.part == "injector_set":
            cylinders += value[:, None] * build.cylinders
        elif fault.part == "regulator":
            regulator += value * build.nominal
        else:
            passed *= 1 - value
    return cylinders, regulator, 1 - passed


def _until_it_fails(
    options: FleetOptions,
    family: Family,
    build: _Build,
    path: _Path,
    day: Array,
    fitted_day: float,
    life: VehicleLife,
    rng: np.random.Generator,
) -> PumpLife:
    """Return the pump, failed or not; a fault that strands the vehicle first is repaired."""
    threshold = path.wear.failure_share_of_limit * family.proof_ratio_limit
    while True:
        cylinders, regulator, held_back = _extra(build, life.faults, day)
        injectors = cylinders.sum(axis=1)
        total = path.conductance + build.cylinders.sum() + build.regulator + injectors + regulator
        pump = PumpLife(
            wear=path.wear,
            fitted_day=fitted_day,
            new_reserve=path.new_reserve,
            reserve=path.efficiency * (1 - held_back) * build.reach_constant / total,
            alone=path.alone,
            deficits={
                "pump_wear": np.log(family.new_reserve * options.wear.reserve_factor / path.alone),
                "injector_leak": -np.log1p(-injectors / total),
                "regulator_or_rail_leak": -np.log1p(-regulator / total),
                "supply_side": -np.log1p(-held_back),
            },
        )
        stranded = np.flatnonzero((pump.reserve < threshold) & (day > fitted_day))
        if stranded.size == 0:
            return pump
        first = int(stranded[0])
        cause = max(pump.deficits, key=lambda name: float(pump.deficits[name][first]))
        if cause == "pump_wear":
            pump.failed = True
            pump.removed_day = min(first + float(rng.random()), options.days - 1e-3)
            dirty = path.contaminated[first] > path.worn[first]
            pump.cause = "contamination" if dirty else cause
            return pump
        guilty = max(
            (f for f in life.faults if CAUSE_OF_PART[f.part] == cause),
            key=lambda f: float(f.value(day[first : first + 1])[0]),
        )
        guilty.ends, guilty.on_road = float(first), True


def _test_and_decide(
    options: FleetOptions,
    build: _Build,
    path: _Path,
    pump: PumpLife,
    day: Array,
    visits: Visits,
    kit_bias: list[Array],
    life: VehicleLife,
    rng: np.random.Generator,
) -> float | None:
    """Measure this pump's visits, note findings; return the day the next pump is fitted."""
    until = pump.removed_day if pump.removed_day is not None else float(options.days)
    mine = visits.where((visits.day > max(pump.fitted_day, 0.0)) & (visits.day < until))
    readings, reserve = _measure(options, life, build, path, pump, day, mine, kit_bias)
    ratio = readings.actual_bar / life.family.proof_target_bar
    doubted = (ratio < options.operator.action_ratio) & (
        mine.draws[:, 3] < options.operator.action_share
    )
    for visit in np.flatnonzero(doubted):
        opened_day = float(mine.day[visit] + 2 + 10 * mine.draws[visit, 4])
        if opened_day >= until:
            break
        if reserve[visit] >= options.operator.worn_below_reserve:
            life.findings.append(Finding(opened_day, "pump", "no_fault_found"))
            continue
        life.findings.append(Finding(opened_day, "pump", "worn_confirmed"))
        pump.removed_day, pump.failed, pump.cause = opened_day, False, None
        kept = mine.day < opened_day
        mine = mine.where(kept)
        readings = replace(
            readings, **{name: values[kept] for name, values in vars(readings).items()}
        )
        break
    life.visits.append(mine)
    life.readings.append(readings)
    if pump.removed_day is None:
        return None
    if not pump.failed:
        return pump.removed_day
    life.findings.append(Finding(pump.removed_day, "pump", "failed_on_road"))
    return pump.removed_day + 1 + 3 * float(rng.random())


def _measure(
    options: FleetOptions,
    life: VehicleLife,
    build: _Build,
    path: _Path,
    pump: PumpLife,
    day: Array,
    visits: Visits,
    kit_bias: list[Array],
) -> tuple[Readings, Array]:
    cylinders, regulator, held_back = _extra(build, life.faults, visits.day)
    system = System(
        efficiency=np.interp(visits.day, day, path.efficiency) * (1 - held_back),
        pump_conductance=np.interp(visits.day, day, path.conductance),
        cylinder_conductance=build.cylinders + cylinders,
        regulator_conductance=build.regulator + regulator,
        regulator_cap=path.regulator_cap,
        stiffness_bar_per_ml=build.stiffness_bar_per_ml,
    )
    bias = np.array(
        [kit_bias[k][int(d)] for k, d in zip(visits.kit, visits.day, strict=True)], dtype=np.float64
    )
    readings = measure(options.readings, life.family, options.fuel, system, visits, bias)
    return readings, np.interp(visits.day, day, pump.reserve)
