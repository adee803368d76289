"""Workshops and their habits: how they write, what they measure, with which kits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.fleets.second.kinds import Kind
from tests.fleets.second.noise import NoiseLaw

_WINDOWS_OF_TARGET = ((0.08, 0.45), (0.15, 0.60), (0.10, 0.70), (0.20, 0.50))
_DURATIONS_S = (30.0, 60.0, 60.0, 120.0)


@dataclass(frozen=True)
class Workshop:
    """One workshop. ``build_window`` is over the target; ``graduation_ml`` of its glasses."""

    name: str
    kits: tuple[int, ...]
    noise: NoiseLaw
    rounds_to_bar: float
    writes_mpa: float  # share of proofs typed in MPa where bar was asked for
    hot_only: bool
    no_temp: float
    no_rpm: float
    build_window: tuple[float, float]
    says_window: bool
    graduation_ml: float
    leak_s: float


def draw_workshops(kind: Kind, kits: int, rng: np.random.Generator) -> list[Workshop]:
    """Draw three to five workshops that share out ``kits`` kits, each with a habit of its own.

    The first rounds to 10 bar, the second types MPa now and then, the third tests hot
    engines only; a kind that fixes the fuel's temperature has none of the last.
    """
    n = min(int(rng.integers(3, 6)), kits)
    forgetful = int(rng.integers(n))
    result = []
    for index in range(n):
        low, high = _WINDOWS_OF_TARGET[int(rng.integers(len(_WINDOWS_OF_TARGET)))]
        # One forgets twice as often; the mean stays what the kind says.
        forgets = 2.0 if index == forgetful else (n - 2.0) / (n - 1.0)
        result.append(
            Workshop(
                name=f"Bay {chr(ord('A') + index)}",
                kits=tuple(k for k in range(kits) if k % n == index),
                noise=kind.noise_laws[int(rng.integers(len(kind.noise_laws)))],
                rounds_to_bar=10.0 if index == 0 else float(rng.choice([1.0, 5.0])),
                writes_mpa=0.015 if index == 1 else 0.0,
                hot_only=index == 2 and kind.climate.only is None,
                no_temp=kind.no_temp * forgets,
                no_rpm=kind.no_rpm * forgets,
                build_window=(low, high),
                says_window=rng.random() < kind.says_window,
                graduation_ml=float(rng.choice([0.5, 1.0])),
                leak_s=_DURATIONS_S[int(rng.integers(len(_DURATIONS_S)))],
            )
        )
    return result
