"""Stage 7: what took the reserve, by which figures moved together.

All leak paths add up in the rail's balance, so an injector that returns more takes reserve
just as a worn pump does, and only the leak figure tells them apart: if injectors return G
times the usual, and are usually the share f of all leakage, they explain a loss of
ln(1 + f (G - 1)) of ln reserve. A kit that reads low explains its own bias. Lost swept flow
(supply side) takes the build rate with it, while added leakage takes less of it: the filter
weighs the two at every test. What is left is the pump's, unless too little is lost to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats


class Cause(StrEnum):
    """What can take reserve away."""

    PUMP_WEAR = "pump_wear"
    INJECTOR_LEAK = "injector_leak"
    REGULATOR_OR_RAIL_LEAK = "regulator_or_rail_leak"
    SUPPLY_SIDE = "supply_side"
    KIT_READING = "kit_reading"
    CANNOT_TELL = "cannot_tell"


CAUSES = tuple(Cause)

# Injectors' usual share of all leakage while cranking (common practice, no source).
_INJECTOR_SHARE_OF_LEAK = 0.35
# Before any figure: how often each takes the reserve (common practice, no source).
_PUMP, _REGULATOR = 0.88, 0.12
_BLIND_INJECTOR, _BLIND_CANNOT_TELL = 0.15, 0.15
_SMALLEST_LOSS = 0.10


@dataclass(frozen=True)
class LeakFigures:
    """Back-leak of each pump's injectors lately, NaN where not measured; shape (n_pumps,)."""

    total_ml_per_min: Floats
    usual_ml_per_min: Floats

    @property
    def times_usual(self) -> Floats:
        return self.total_ml_per_min / self.usual_ml_per_min


def ln_loss_by_injectors(leak: LeakFigures) -> Floats:
    """Return the loss of ln reserve that the injectors' extra return explains; NaN if unknown."""
    extra = np.maximum(leak.times_usual - 1.0, 0.0)
    return np.log1p(_INJECTOR_SHARE_OF_LEAK * extra)


def shares_of_belief(
    ln_loss: Floats, leak: LeakFigures, ln_kit: Floats, p_starved: Floats
) -> NDArray[np.float64]:
    """Return each cause's share of belief, shape (n_pumps, n_causes), in the order of ``CAUSES``.

    Parameters
    ----------
    ln_loss
        What a usual new pump of the family has in ln reserve above this pump.
    ln_kit
        Bias of the kit of the last tests (negative: reads low).
    p_starved
        The filter's probability that the supply holds the reserve down.
    """
    known = ~np.isnan(leak.times_usual)
    loss = np.maximum(ln_loss, _SMALLEST_LOSS)
    injector = np.where(
        known, np.clip(np.nan_to_num(ln_loss_by_injectors(leak)) / loss, 0.0, 0.97), _BLIND_INJECTOR
    )
    kit = np.clip(-ln_kit / loss, 0.0, 1.0) * (1.0 - injector) * (ln_kit < -0.02)
    cannot_tell = np.where(known, 0.02, _BLIND_CANNOT_TELL) + 0.6 * np.clip(
        1.0 - ln_loss / _SMALLEST_LOSS, 0.0, 1.0
    )
    cannot_tell = np.minimum(cannot_tell, 1.0 - injector - kit)
    rest = np.maximum(1.0 - injector - kit - cannot_tell, 0.0)
    worn = 1.0 - p_starved
    return np.column_stack(
        [
            _PUMP * worn * rest,
            injector,
            _REGULATOR * worn * rest,
            p_starved * rest,
            kit,
            cannot_tell,
        ]
    )
