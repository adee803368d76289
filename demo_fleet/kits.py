"""Pressure kits: how far each reads off, day by day, and when it was calibrated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.climate import DAYS_PER_YEAR
from demo_fleet.physics import Array


@dataclass(frozen=True)
class KitOptions:
    """Bias of kits, as a share of the reading."""

    calibrated_scatter: float = 0.007
    steps_per_year: float = 0.2
    step_size: tuple[float, float] = (0.04, 0.08)
    reads_low_share: float = 0.7
    drifts_per_year: float = 0.08
    drift_per_year: tuple[float, float] = (0.03, 0.07)
    calibration_interval_days: tuple[float, float] = (330.0, 540.0)
    calibration_recorded_share: float = 0.85


@dataclass(frozen=True)
class KitEvent:
    """Something that happened to a kit: ``step``, ``drift`` (size per year) or ``calibration``."""

    day: float
    kind: str
    size: float
    recorded: bool


@dataclass(frozen=True)
class Kit:
    """A kit's bias at the start of each day [-] and the events behind it."""

    bias: Array
    events: list[KitEvent]


def draw_kit(options: KitOptions, days: int, rng: np.random.Generator) -> Kit:
    """Draw one kit's history over ``days`` days."""
    events: list[KitEvent] = []
    day = float(rng.uniform(0, options.calibration_interval_days[1]))
    while day < days:
        recorded = bool(rng.random() < options.calibration_recorded_share)
        events.append(KitEvent(day, "calibration", 0.0, recorded))
        day += float(rng.uniform(*options.calibration_interval_days))
    for kind, per_year, sizes in (
        ("step", options.steps_per_year, options.step_size),
        ("drift", options.drifts_per_year, options.drift_per_year),
    ):
        for _ in range(rng.poisson(per_year * days / DAYS_PER_YEAR)):
            sign = -1.0 if rng.random() < options.reads_low_share else 1.0
            size = sign * float(rng.uniform(*sizes))
            events.append(KitEvent(float(rng.uniform(0, days)), kind, size, False))
    events.sort(key=lambda event: event.day)
    return Kit(_bias(options, events, days, rng), events)


def _bias(
    options: KitOptions, events: list[KitEvent], days: int, rng: np.random.Generator
) -> Array:
    time = np.arange(days + 1, dtype=np.float64)
    bias = np.full(days + 1, options.calibrated_scatter * rng.normal())
    for event in events:
        later = time >= event.day
        if event.kind == "calibration":
            bias[later] = options.calibrated_scatter * rng.normal()
        elif event.kind == "step":
            bias[later] += event.size
        else:
            bias[later] += event.size * (time[later] - event.day) / DAYS_PER_YEAR
    return bias
