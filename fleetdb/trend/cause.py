"""Stage 7: what took the reserve, by which figures moved together.

All leak paths add up in the rail's balance, so an injector that returns more takes reserve
just as a worn pump does, and only the leak figure tells them apart: if injectors return G
times the usual, and are usually the share f of all leakage, they explain a loss of
ln(1 + f (G - 1)) of ln reserve. What a kit reads wrong is taken out before: it explains what is
not known of it. Lost swept flow
(supply side) takes the build rate with it, while added leakage takes less of it: the filter
weighs the two at every test. What is left is the pump's, unless too little is lost to say.

Traces tell more. A closed rail with the pump standing loses through injectors, regulator and
rail only: if it loses H times the usual, and these are usually the share s of all leakage,
they explain ln(1 + s (H - 1)) together, and what the injectors' own return does not explain
of it is the regulator's or the rail's. A pumping element that delivers less than the others
speaks for the pump, pressure off its straight line over duty for the regulator: each raises
the odds of its cause against those that no figure measures.
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
_REGULATOR = 0.12
_BLIND_INJECTOR, _BLIND_CANNOT_TELL = 0.15, 0.15
_SMALLEST_LOSS = 0.10
# Regulator and rail beside the injectors (common practice, no source).
_REGULATOR_SHARE_OF_LEAK = 0.15
_STATIC_SHARE_OF_LEAK = _INJECTOR_SHARE_OF_LEAK + _REGULATOR_SHARE_OF_LEAK
# With a closed rail that holds as usual, a leaking regulator is all but ruled out.
_REGULATOR_ONCE_HELD = 0.02
_MOST_EXPLAINED = 0.97
# A weak element: below this of the others. How much likelier it is seen when the pump is at
# fault, and how much less likely it is not (common practice, no source).
_WEAK_SHARE = 0.8
_ODDS_WEAK, _ODDS_ALIKE = 15.0, 0.7
# The same for a regulator that leaves its straight line by more than this of the span.
_NOTABLE_DEPARTURE = 0.05
_ODDS_DEPARTED, _ODDS_STRAIGHT = 10.0, 0.55


@dataclass(frozen=True)
class LeakFigures:
    """Back-leak of each pump's injectors lately, NaN where not measured; shape (n_pumps,)."""

    total_ml_per_min: Floats
    usual_ml_per_min: Floats

    @property
    def times_usual(self) -> Floats:
        return self.total_ml_per_min / self.usual_ml_per_min


@dataclass(frozen=True)
class TraceEvidence:
    """What traces say of each pump lately, NaN where none does; shape (n_pumps,).

    ``hold_leak_ml_per_min`` is what the closed rail loses; ``weak_element_share`` what the
    weakest pumping element delivers of the others (1: all alike); and
    ``regulator_departure_share`` how far pressure leaves its straight line over duty, of
    that line's span.
    """

    hold_leak_ml_per_min: Floats
    usual_hold_leak_ml_per_min: Floats
    weak_element_share: Floats
    regulator_departure_share: Floats

    @property
    def hold_times_usual(self) -> Floats:
        return self.hold_leak_ml_per_min / self.usual_hold_leak_ml_per_min

    @property
    def pump_odds(self) -> Floats:
        """By how much the strokes seen change the odds of the pump."""
        return _odds(
            self.weak_element_share, self.weak_element_share < _WEAK_SHARE, _ODDS_WEAK, _ODDS_ALIKE
        )

    @property
    def regulator_odds(self) -> Floats:
        """By how much the line over duty changes the odds of the regulator."""
        departed = np.abs(self.regulator_departure_share) > _NOTABLE_DEPARTURE
        return _odds(self.regulator_departure_share, departed, _ODDS_DEPARTED, _ODDS_STRAIGHT)


def _odds(seen: Floats, is_so: NDArray[np.bool_], if_so: float, if_not: float) -> Floats:
    return np.where(np.isnan(seen), 1.0, np.where(is_so, if_so, if_not))


def ln_loss_by_injectors(leak: LeakFigures) -> Floats:
    """Return the loss of ln reserve that the injectors' extra return explains; NaN if unknown."""
    extra = np.maximum(leak.times_usual - 1.0, 0.0)
    return np.log1p(_INJECTOR_SHARE_OF_LEAK * extra)


def ln_loss_by_closed_rail(evidence: TraceEvidence) -> Floats:
    """Return the loss of ln reserve that the closed rail's extra leak explains; NaN if unknown."""
    extra = np.maximum(evidence.hold_times_usual - 1.0, 0.0)
    return np.log1p(_STATIC_SHARE_OF_LEAK * extra)


def shares_of_belief(
    ln_loss: Floats,
    leak: LeakFigures,
    sd_ln_kit: Floats,
    p_starved: Floats,
    evidence: TraceEvidence,
) -> NDArray[np.float64]:
    """Return each cause's share of belief, shape (n_pumps, n_causes), in the order of ``CAUSES``.

    Parameters
    ----------
    ln_loss
        What a usual new pump of the family has in ln reserve above this pump.
    sd_ln_kit
        How well the bias of the last test's kit is known, which is taken out of the loss.
    p_starved
        The filter's probability that the supply holds the reserve down.
    evidence
        What traces say; NaN changes nothing.
    """
    known = ~np.isnan(leak.times_usual)
    held = ~np.isnan(evidence.hold_times_usual)
    loss = np.maximum(ln_loss, _SMALLEST_LOSS)
    by_injectors = np.nan_to_num(ln_loss_by_injectors(leak))
    by_rail = np.nan_to_num(ln_loss_by_closed_rail(evidence))
    of_rail = _INJECTOR_SHARE_OF_LEAK / _STATIC_SHARE_OF_LEAK
    ln_injector = np.where(known, by_injectors, of_rail * by_rail)
    ln_regulator = np.where(held, np.maximum(by_rail - ln_injector, 0.0), 0.0)
    # Leaks that explain more than was lost share what was, in proportion.
    over = np.maximum((ln_injector + ln_regulator) / (_MOST_EXPLAINED * loss), 1.0)
    injector = np.where(known | held, ln_injector / loss / over, _BLIND_INJECTOR)
    regulator = ln_regulator / loss / over
    explained = injector + regulator
    kit = np.clip(sd_ln_kit / loss, 0.0, 1.0) * (1.0 - explained)
    cannot_tell = np.where(known | held, 0.02, _BLIND_CANNOT_TELL) + 0.6 * np.clip(
        1.0 - ln_loss / _SMALLEST_LOSS, 0.0, 1.0
    )
    left = 1.0 - explained - kit
    cannot_tell = np.minimum(cannot_tell, left)
    rest = np.maximum(left - cannot_tell, 0.0)
    worn = 1.0 - p_starved
    unseen_regulator = np.where(held, _REGULATOR_ONCE_HELD, _REGULATOR)
    pool = np.column_stack(
        [
            (1.0 - unseen_regulator) * worn * rest * evidence.pump_odds,
            unseen_regulator * worn * rest * evidence.regulator_odds,
            p_starved * rest,
            cannot_tell,
        ]
    )
    # What no figure measures shares what the figures leave.
    total = pool.sum(axis=1)
    pool *= np.divide(left, total, out=np.ones_like(total), where=total > 0)[:, None]
    return np.column_stack(
        [pool[:, 0], injector, pool[:, 1] + regulator, pool[:, 2], kit, pool[:, 3]]
    )
