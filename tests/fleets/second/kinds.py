"""Kinds of fleet: one table of settings, each kind a few changes to the plain one."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

from tests.fleets.second.fuel import VogelFuel
from tests.fleets.second.noise import NoiseLaw
from tests.fleets.second.rail import Knee
from tests.fleets.second.wear import WearLaw

Range = tuple[float, float]

# Before today on every machine, and a month's last day: every replay ends with a month end.
ENDS_ON = date(2025, 12, 31)


@dataclass(frozen=True)
class Family:
    """A pump family of this generator; ``share`` of the vehicles, and their rail in full."""

    name: str
    share: float
    target_bar: float
    limit: float
    cylinders: int
    rail_volume_ml: float
    swept_ml_per_rev: float
    reference_temp_c: float
    reference_rpm: float


FAMILIES = (
    Family("Alder 4", 0.55, 700.0, 0.80, 4, 62.0, 0.90, 40.0, 200.0),
    Family("Birch 6", 0.35, 850.0, 0.78, 6, 88.0, 1.25, 40.0, 180.0),
    Family("Cedar 4", 0.10, 550.0, 0.82, 4, 48.0, 0.65, 30.0, 220.0),
)


@dataclass(frozen=True)
class Climate:
    """Air through the year, and how warm the fuel is when a vehicle is tested. [degC]"""

    mean_c: float = 11.0
    swing_c: float = 9.0
    weather_c: float = 3.5
    running_c: float = 52.0
    cold_start_share: float = 0.45
    only: Range | None = None  # fuel is always within this, whatever the air


@dataclass(frozen=True)
class Kind:
    """Everything a fleet is drawn from. Ranges are uniform; rates are per vehicle and year."""

    years: float = 5.0
    families: tuple[Family, ...] = FAMILIES
    fuel: VogelFuel = field(default_factory=VogelFuel)
    climate: Climate = field(default_factory=Climate)
    # The rail.
    new_reserve: Range = (1.15, 1.80)
    cap_spread: float = 0.022
    cap_mean: float = 1.0
    knee: Knee = Knee.P_NORM
    sharpness: float = 16.0
    orifice_share: Range = (0.03, 0.14)
    injector_share: Range = (0.18, 0.34)
    # Wear of pumps: years to the limit, and how it gets there.
    life_years: float = 14.0
    life_spread: float = 0.75
    wear_laws: tuple[WearLaw, ...] = tuple(WearLaw)
    delivery_share: Range = (0.0, 0.25)
    run_in: Range = (-0.02, 0.07)
    run_in_days: Range = (20.0, 90.0)
    damages: float = 0.006
    # What else goes wrong.
    injectors: float = 0.040
    injector_sets: float = 0.015
    regulators: float = 0.012
    filters: float = 0.06
    lag_days: float = 25.0
    changed_at_visit: float = 0.35
    changed_in_vain: float = 0.004
    # Habits.
    interval_days: Range = (30.0, 90.0)
    gaps: float = 0.04
    kits: tuple[int, int] = (3, 8)
    kit_steps: float = 0.30
    kit_drifting: float = 0.25
    noise_laws: tuple[NoiseLaw, ...] = tuple(NoiseLaw)
    proof_noise: float = 0.012
    build_noise: float = 0.045
    botched: Range = (0.01, 0.04)
    no_temp: float = 0.15
    no_rpm: float = 0.12
    with_build: float = 0.75
    says_window: float = 0.8  # of the workshops
    with_leak: float = 0.40


_PLAIN = Kind()
KINDS: dict[str, Kind] = {
    "plain": _PLAIN,
    "cold_engines": replace(
        _PLAIN, climate=replace(_PLAIN.climate, mean_c=6.0, only=(0.0, 15.0), cold_start_share=1.0)
    ),
    "soft_regulator": replace(
        _PLAIN,
        knee=Knee.LOGISTIC,
        sharpness=9.0,
        cap_mean=1.04,
        cap_spread=0.035,
        kit_steps=0.6,
        kit_drifting=0.4,
        proof_noise=0.02,
    ),
    "power_wear": replace(_PLAIN, wear_laws=(WearLaw.POWER,)),
    "sparse": replace(_PLAIN, interval_days=(90.0, 180.0), gaps=0.02),
    "hot_thin_fuel": replace(
        _PLAIN,
        fuel=VogelFuel(viscosity_40c_mm2_per_s=2.15, winter_thinner=0.05),
        climate=Climate(mean_c=26.0, swing_c=6.0, running_c=66.0, cold_start_share=0.25),
    ),
    "high_margin": replace(_PLAIN, new_reserve=(1.6, 2.6)),
}
