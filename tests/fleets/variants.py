"""Fleets that differ in kind, so that no method is fitted to one generator's taste."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from demo_fleet.climate import ClimateOptions
from demo_fleet.faults import FaultOptions
from demo_fleet.kits import KitOptions
from demo_fleet.options import FleetOptions
from demo_fleet.physics import Fuel
from demo_fleet.readings import ReadingOptions
from demo_fleet.visits import VisitOptions
from demo_fleet.wear import WearOptions

SCORED_VEHICLES = 1000
SCORED_YEARS = 5.0


def _base() -> FleetOptions:
    """Tests every 30 to 90 days, which is what the scores are asked for."""
    return FleetOptions(visits=VisitOptions(interval_days=(30.0, 90.0)))


def _cold_engines() -> FleetOptions:
    """Tested before the engine has run: fuel near the air's temperature, stiff cranking."""
    climate = ClimateOptions(mean_c=6, seasonal_swing_c=11, warmth_mean=0.12)
    return replace(_base(), climate=climate)


def _soft_regulator_noisy_kits() -> FleetOptions:
    """A regulator that passes early, kits that step often, readings with heavy tails."""
    return replace(
        _base(),
        readings=ReadingOptions(
            regulator_sharpness=6.0, regulator_cap=(0.90, 1.02), proof_noise=0.022, noise_tail=0.08
        ),
        kits=KitOptions(steps_per_year=0.5, drifts_per_year=0.2, calibrated_scatter=0.012),
    )


def _power_wear() -> FleetOptions:
    """All wear grows as a power of distance."""
    return replace(
        _base(),
        wear=WearOptions(
            slow_weight=0.0,
            exponential_weight=0.0,
            power_weight=1.0,
            power_exponent=(1.5, 4.5),
            fast_life_km=700_000,
            life_scatter=0.5,
        ),
    )


def _sparse_tests() -> FleetOptions:
    """Two to four tests a year."""
    return replace(_base(), visits=VisitOptions(interval_days=(90.0, 180.0)))


def _hot_thin_fuel() -> FleetOptions:
    """A hot country's fuel near the thin limit of EN 590, tested on warm engines."""
    return replace(
        _base(),
        climate=ClimateOptions(
            mean_c=24, seasonal_swing_c=7, warm_engine_fuel_c=70, warmth_mean=0.65
        ),
        fuel=Fuel(viscosity_40c_mm2_per_s=2.1, viscosity_100c_mm2_per_s=0.95),
    )


def _high_margin() -> FleetOptions:
    """New pumps with a lot in hand: the ratio says nothing for years, then falls fast."""
    wear = WearOptions(reserve_factor=1.35, new_scatter=0.18, exponential_rate=(4.0, 8.0))
    return replace(_base(), wear=wear)


def _low_margin_fast_wear() -> FleetOptions:
    """New pumps with little in hand that wear fast, with more dirt in the fuel."""
    wear = WearOptions(
        reserve_factor=0.82,
        new_scatter=0.10,
        fast_life_km=330_000,
        slow_life_km=900_000,
        contaminations_per_year=0.03,
    )
    return replace(_base(), wear=wear)


def _many_faults() -> FleetOptions:
    """Injectors, regulators and filters go wrong three times as often as pumps."""
    return replace(
        _base(),
        faults=FaultOptions(
            injectors_per_year=0.14,
            injector_sets_per_year=0.04,
            regulators_per_year=0.06,
            filters_per_year=0.25,
        ),
    )


VARIANTS: dict[str, Callable[[], FleetOptions]] = {
    "defaults": _base,
    "cold_engines": _cold_engines,
    "soft_regulator_noisy_kits": _soft_regulator_noisy_kits,
    "power_wear": _power_wear,
    "sparse_tests": _sparse_tests,
    "hot_thin_fuel": _hot_thin_fuel,
    "high_margin": _high_margin,
    "low_margin_fast_wear": _low_margin_fast_wear,
    "many_faults": _many_faults,
}


def variant(
    name: str, *, vehicles: int = SCORED_VEHICLES, years: float = SCORED_YEARS, seed: int = 11
) -> FleetOptions:
    """Return the options of the named variant, at this size and seed."""
    return replace(VARIANTS[name](), vehicles=vehicles, years=years, seed=seed)
