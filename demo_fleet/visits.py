"""When a vehicle is tested, where, with which kit, and under what conditions."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from demo_fleet.climate import ClimateOptions, ambient_c, fuel_c
from demo_fleet.physics import Array
from demo_fleet.scenario import Family

IntArray = NDArray[np.int64]
MINUTES_PER_DAY = 24 * 60


class Botch(IntEnum):
    """What spoilt a test run."""

    NONE = 0
    VALVE_NOT_SEATED = 1
    AIR_IN_FUEL = 2
    LOW_CRANKING = 3


@dataclass(frozen=True)
class VisitOptions:
    """Intervals between tests, cranking speed, and how often a run is botched."""

    interval_days: tuple[float, float] = (30.0, 120.0)
    interval_regularity: float = 8.0
    elsewhere_share: float = 0.2
    crank_scatter: float = 0.06
    crank_cold_loss_per_c: float = 0.006
    botched_share: float = 0.02
    low_cranking_factor: tuple[float, float] = (0.4, 0.62)


@dataclass(frozen=True)
class Visits:
    """One row per visit of one vehicle: everything of it but the pump.

    ``day`` counts from the start of the history, in UTC; ``noise`` and ``draws`` are
    standard normal and uniform numbers for whoever measures and decides.
    """

    day: Array
    workshop: IntArray
    kit: IntArray
    fuel_temp_c: Array
    crank_rpm: Array
    viscosity_factor: Array
    botch: IntArray
    noise: Array
    draws: Array

    def __len__(self) -> int:
        return self.day.size

    def where(self, chosen: NDArray[np.bool_]) -> Visits:
        """Return the chosen visits."""
        return Visits(**{name: values[chosen] for name, values in vars(self).items()})


def visit_days(
    options: VisitOptions, entry_day: float, days: int, first_weekday: int, rng: np.random.Generator
) -> Array:
    """Return the times of a vehicle's visits: by its own habit, on workdays, in the day shift."""
    low, high = np.log(options.interval_days)
    mean = float(np.exp(rng.uniform(low, high)))
    count = int(2 * days / mean) + 10
    shape = options.interval_regularity
    gaps = rng.gamma(shape, mean / shape, size=count)
    gaps[0] *= rng.random()
    day = np.floor(max(entry_day, 0.0) + np.cumsum(gaps))
    weekday = (first_weekday + day) % 7
    day = np.unique(day + np.where(weekday == 5, 2, np.where(weekday == 6, 1, 0)))
    day = day[day < days]
    hour = 6.5 + 9.5 * rng.beta(1.6, 2.4, size=day.size)
    return day + np.round(hour * 60) / MINUTES_PER_DAY


def plan_visits(
    options: VisitOptions,
    climate: ClimateOptions,
    family: Family,
    day: Array,
    day_of_year: Array,
    depot_offset_c: float,
    home_workshop: int,
    kits_of_workshop: list[IntArray],
    rng: np.random.Generator,
) -> Visits:
    """Draw place, kit, conditions and mishaps for the visits at ``day``."""
    n = day.size
    elsewhere = rng.random(n) < options.elsewhere_share
    workshop = np.where(elsewhere, rng.integers(0, len(kits_of_workshop), n), home_workshop)
    pick = rng.random(n)
    kit = np.array(
        [
            kits_of_workshop[w][int(p * kits_of_workshop[w].size)]
            for w, p in zip(workshop, pick, strict=True)
        ],
        dtype=np.int64,
    )
    air = ambient_c(climate, day_of_year, depot_offset_c, rng.normal(size=n))
    cold = np.clip(15 - air, 0, None) * options.crank_cold_loss_per_c
    crank = family.reference_crank_rpm * (1 + options.crank_scatter * rng.normal(size=n) - cold)
    botched = rng.random(n) < options.botched_share
    botch = np.where(botched, rng.integers(1, len(Botch), n), Botch.NONE)
    low, high = options.low_cranking_factor
    slow = low + (high - low) * rng.random(n)
    crank = np.where(botch == Botch.LOW_CRANKING, crank * slow, crank)
    return Visits(
        day=day,
        workshop=workshop,
        kit=kit,
        fuel_temp_c=fuel_c(climate, air, rng),
        crank_rpm=np.clip(crank, 30, None),
        viscosity_factor=np.exp(climate.viscosity_scatter * rng.normal(size=n)),
        botch=botch,
        noise=rng.normal(size=(n, 8 + family.cylinders)),
        draws=rng.random((n, 16)),
    )
