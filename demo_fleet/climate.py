"""Weather at the depots, and how warm the fuel is when a test is made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.physics import Array

DAYS_PER_YEAR = 365.25
WARMEST_DAY_OF_YEAR = 200.0


@dataclass(frozen=True)
class ClimateOptions:
    """Air through the year, and the fuel between air and warm engine."""

    mean_c: float = 10.0
    seasonal_swing_c: float = 9.0
    depot_scatter_c: float = 1.5
    daily_scatter_c: float = 3.5
    warm_engine_fuel_c: float = 58.0
    # Beta distribution of how far the fuel has warmed from air to warm engine.
    warmth_mean: float = 0.6
    warmth_concentration: float = 5.0
    viscosity_scatter: float = 0.03


def ambient_c(
    options: ClimateOptions, day_of_year: Array, depot_offset_c: float, noise: Array
) -> Array:
    """Return the air's temperature; ``noise`` is standard normal, one per test."""
    season = np.cos(2 * np.pi * (day_of_year - WARMEST_DAY_OF_YEAR) / DAYS_PER_YEAR)
    return (
        options.mean_c
        + depot_offset_c
        + options.seasonal_swing_c * season
        + options.daily_scatter_c * noise
    )


def fuel_c(options: ClimateOptions, air_c: Array, rng: np.random.Generator) -> Array:
    """Return the fuel's temperature: somewhere between the air's and a warm engine's."""
    a = options.warmth_mean * options.warmth_concentration
    b = (1 - options.warmth_mean) * options.warmth_concentration
    warmth = rng.beta(a, b, size=air_c.shape)
    # Winter fuel that would wax is not on sale: -12 C is as cold as a test gets.
    return np.clip(air_c + warmth * (options.warm_engine_fuel_c - air_c), -12.0, 95.0)
