"""How pumps lose their reserve: slow wear, accelerating wear, contamination."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from demo_fleet.physics import Array


class WearLaw(StrEnum):
    """The shape of a pump's decline against distance."""

    SLOW = "slow"
    EXPONENTIAL = "exponential"
    POWER = "power"


@dataclass(frozen=True)
class WearOptions:
    """New pumps, their wear laws and lives, and when a worn pump strands its vehicle.

    A life is the distance after which wear alone brings the reserve to the family's limit.
    """

    reserve_factor: float = 1.0
    new_scatter: float = 0.13
    slow_weight: float = 0.66
    exponential_weight: float = 0.18
    power_weight: float = 0.16
    slow_life_km: float = 1_300_000.0
    fast_life_km: float = 430_000.0
    life_scatter: float = 0.35
    exponential_rate: tuple[float, float] = (2.5, 6.0)
    power_exponent: tuple[float, float] = (1.6, 3.5)
    contaminations_per_year: float = 0.012
    contamination_loss: tuple[float, float] = (0.25, 0.75)
    contamination_days: tuple[float, float] = (2.0, 15.0)
    contamination_wear_factor: float = 3.0
    # The vehicle stops where its reserve falls to this share of the family's limit.
    failure_share_of_limit: tuple[float, float] = (0.65, 0.95)
    # Share of the decline (as a logarithm) that is lost stroke rather than leakage.
    efficiency_share: float = 0.2


@dataclass(frozen=True)
class Wear:
    """One pump's draw from the laws."""

    law: WearLaw
    shape: float
    life_km: float
    failure_share_of_limit: float


def draw_wear(options: WearOptions, rng: np.random.Generator) -> Wear:
    """Draw a pump's law, shape and life."""
    weights = np.array([options.slow_weight, options.exponential_weight, options.power_weight])
    law = list(WearLaw)[int(rng.choice(3, p=weights / weights.sum()))]
    shape_range = {
        WearLaw.SLOW: (1.0, 1.0),
        WearLaw.EXPONENTIAL: options.exponential_rate,
        WearLaw.POWER: options.power_exponent,
    }[law]
    median_km = options.slow_life_km if law is WearLaw.SLOW else options.fast_life_km
    return Wear(
        law=law,
        shape=float(rng.uniform(*shape_range)),
        life_km=float(median_km * np.exp(options.life_scatter * rng.normal())),
        failure_share_of_limit=float(rng.uniform(*options.failure_share_of_limit)),
    )


def lost_share(wear: Wear, pump_km: Array) -> Array:
    """Return the share lost of the way from new to the limit: 0 when new, 1 after a life."""
    used = np.clip(pump_km, 0, None) / wear.life_km
    if wear.law is WearLaw.EXPONENTIAL:
        # Capped: far beyond its life a pump has long been replaced.
        return np.expm1(wear.shape * np.minimum(used, 2.0)) / np.expm1(wear.shape)
    return used**wear.shape


def contamination_share(
    options: WearOptions, wear: Wear, day: Array, pump_km: Array, at_day: float, draws: Array
) -> Array:
    """Return the share lost to dirt that came at ``at_day``: a step in days, then faster wear.

    ``draws`` are two uniform numbers: the size and the duration of the step.
    """
    low, high = options.contamination_loss
    size = low + draws[0] * (high - low)
    low, high = options.contamination_days
    step = size * np.clip((day - at_day) / (low + draws[1] * (high - low)), 0, 1)
    km_since = np.clip(pump_km - np.interp(at_day, day, pump_km), 0, None)
    faster = (options.contamination_wear_factor - 1) * km_since / wear.life_km
    return np.where(day >= at_day, step + faster, 0.0)
