"""How a pump's life is used up: shapes that are 0 when new and 1 where the limit is reached."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class WearLaw(StrEnum):
    """Three ways of wearing faster with time."""

    STRAIGHT = "straight_after_onset"
    EXPONENTIAL = "exponential"
    POWER = "power"


@dataclass(frozen=True)
class Wear:
    """One pump's law with its ``bend``: the onset's share of life, the rate, or the power."""

    law: WearLaw
    bend: float

    @classmethod
    def draw(cls, laws: tuple[WearLaw, ...], rng: np.random.Generator) -> Wear:
        """Draw one of ``laws``, all alike likely, and its bend."""
        law = laws[int(rng.integers(len(laws)))]
        low, high = {
            WearLaw.STRAIGHT: (0.2, 0.9),
            WearLaw.EXPONENTIAL: (2.5, 8.0),
            WearLaw.POWER: (1.5, 6.0),
        }[law]
        return cls(law, float(rng.uniform(low, high)))

    def used(self, life_share: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the wear at each share of life lived; it goes on beyond 1."""
        if self.law is WearLaw.STRAIGHT:
            return np.maximum(life_share - self.bend, 0.0) / (1.0 - self.bend)
        if self.law is WearLaw.EXPONENTIAL:
            return np.expm1(self.bend * life_share) / np.expm1(self.bend)
        return life_share**self.bend
