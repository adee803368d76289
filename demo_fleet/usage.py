"""How far a vehicle runs, day by day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.climate import DAYS_PER_YEAR
from demo_fleet.physics import Array

BUSIEST_DAY_OF_YEAR = 285.0


@dataclass(frozen=True)
class UsageOptions:
    """Distance per day: between vehicles, through the year, from day to day."""

    km_factor: float = 1.0
    vehicle_scatter: float = 0.25
    seasonal_swing: float = 0.15
    daily_scatter: float = 0.25
    saturday_share: float = 0.3


def daily_km(
    options: UsageOptions,
    km_per_workday: float,
    weekday: Array,
    day_of_year: Array,
    rng: np.random.Generator,
) -> Array:
    """Return the distance of each day [km]; Sundays are free."""
    level = km_per_workday * options.km_factor * np.exp(options.vehicle_scatter * rng.normal())
    season = 1 + options.seasonal_swing * np.cos(
        2 * np.pi * (day_of_year - BUSIEST_DAY_OF_YEAR) / DAYS_PER_YEAR
    )
    week = np.where(weekday < 5, 1.0, np.where(weekday == 5, options.saturday_share, 0.0))
    scatter = np.clip(1 + options.daily_scatter * rng.normal(size=weekday.shape), 0.05, None)
    return level * season * week * scatter
