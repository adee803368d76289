"""Errors of readings by laws that differ: which one is a workshop's own."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

_CHAIN = 0.6
_HEAVY_DEGREES = 3.0
# Student's t of 3 degrees has a standard deviation of root 3: this keeps its middle alike.
_HEAVY_SCALE = 0.75
_OFFSET_BAR = 6.0


class NoiseLaw(StrEnum):
    """Laws of a pressure reading's error; each of about the same size."""

    GAUSSIAN = "gaussian"
    HEAVY_TAILED = "heavy_tailed"
    WITH_OFFSET = "with_offset"
    CHAINED = "chained"


def proof_errors(
    laws: list[NoiseLaw], size: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return each test's relative error and its error in bar, tests of a vehicle in order.

    ``laws`` has one law per test. Chained errors remember the vehicle's last one.
    """
    n = len(laws)
    relative = size * rng.normal(size=n)
    heavy = size * _HEAVY_SCALE * rng.standard_t(_HEAVY_DEGREES, size=n)
    added_bar = _OFFSET_BAR * rng.normal(size=n)
    last = 0.0
    for i, law in enumerate(laws):
        if law is NoiseLaw.CHAINED:
            relative[i] = last = _CHAIN * last + np.sqrt(1 - _CHAIN**2) * relative[i]
        elif law is NoiseLaw.HEAVY_TAILED:
            relative[i] = heavy[i]
        elif law is NoiseLaw.WITH_OFFSET:
            relative[i] *= 0.7
    offset = np.array([law is NoiseLaw.WITH_OFFSET for law in laws], dtype=bool)
    return relative, np.where(offset, added_bar, 0.0)
