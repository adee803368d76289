"""Kits: what each reads wrong, day by day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.fleets.second.kinds import Kind

_YEAR_DAYS = 365.25
_FIRST_SPREAD = 0.009
_CALIBRATED_SPREAD = 0.006
_STEP = (0.04, 0.08)
_DRIFT_PER_YEAR = (0.012, 0.03)
_CALIBRATIONS_PER_YEAR = 0.7
_RECORDED = 0.65


@dataclass(frozen=True)
class Event:
    """A step or a calibration of a kit on a day: ``size`` is what the bias moved by."""

    day: float
    kind: str
    size: float
    recorded: bool


@dataclass(frozen=True)
class Kit:
    """``bias``: the share by which it reads too high, one per day of the history."""

    name: str
    bias: NDArray[np.float64]
    events: tuple[Event, ...]


def draw_kit(name: str, kind: Kind, days: int, rng: np.random.Generator) -> Kit:
    """Draw a kit's life: steps of 4 to 8 %, a drift in some, calibrations recorded or not."""
    years = days / _YEAR_DAYS
    bias = np.full(days, _FIRST_SPREAD * rng.normal())
    events: list[Event] = []
    day = np.arange(days)
    if rng.random() < kind.kit_drifting:
        begins = int(rng.uniform(0, days))
        per_year = rng.uniform(*_DRIFT_PER_YEAR) * rng.choice([-1.0, 1.0])
        bias += per_year * np.maximum(day - begins, 0) / _YEAR_DAYS
        events.append(Event(float(begins), "drift", float(per_year), recorded=False))
    happenings = [
        (float(rng.uniform(0, days)), name_of)
        for name_of, per_year in (
            ("step", kind.kit_steps),
            ("calibration", _CALIBRATIONS_PER_YEAR),
        )
        for _ in range(int(rng.poisson(per_year * years)))
    ]
    for at, what in sorted(happenings):
        first = int(np.ceil(at))
        if first >= days:
            continue
        if what == "step":
            # Nobody keeps a gauge that is off by more than one such step: the next goes back.
            off = bias[first]
            way = -np.sign(off) if abs(off) > _STEP[0] else rng.choice([-1.0, 1.0])
            size = float(rng.uniform(*_STEP) * way)
        else:
            size = float(_CALIBRATED_SPREAD * rng.normal() - bias[first])
        bias[first:] += size
        events.append(
            Event(at, what, size, recorded=what == "calibration" and rng.random() < _RECORDED)
        )
    events.sort(key=lambda event: event.day)
    return Kit(name, bias, tuple(events))
