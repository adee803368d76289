"""The action list: published verdicts filtered, ordered by urgency, a page at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

import polars as pl

from fleetdb.trend.states import State

StateWord = Literal["unproven", "sound", "watch", "book_in", "stand_down"]


class VerdictOrder(StrEnum):
    """Orders of the list, the pump to act on first coming first; then by vehicle."""

    URGENCY = "urgency"
    PROBABILITY = "probability"
    LIMIT_DATE = "limit_date"
    STATE = "state"
    VEHICLE = "vehicle"


_STATE = pl.col("state").replace_strict(
    {s.word: int(s) for s in State}, default=-1, return_dtype=pl.Float64
)

# The state first; within it the likelier worn, a probability being less than two.
URGENCY = -(2.0 * _STATE + pl.col("probability_worn").fill_null(-0.5))

# A missing figure comes last. Each order is one number per verdict, so that "after
# this one" means the same on every page.
_RANKS: dict[VerdictOrder, pl.Expr] = {
    VerdictOrder.URGENCY: URGENCY,
    VerdictOrder.PROBABILITY: -pl.col("probability_below_limit").fill_null(-1.0),
    VerdictOrder.LIMIT_DATE: pl.col("limit_date_p50").cast(pl.Date).cast(pl.Int32).fill_null(2**30),
    VerdictOrder.STATE: -_STATE,
    VerdictOrder.VEHICLE: pl.lit(0),
}


@dataclass(frozen=True, slots=True)
class VerdictFilter:
    """Which verdicts are wanted; an empty tuple asks nothing of its column."""

    state: Sequence[str] = field(default=())
    depot: Sequence[str] = field(default=())
    pump_family: Sequence[str] = field(default=())
    leading_cause: Sequence[str] = field(default=())
    vehicle_has: str = ""
    """A part of the fleet number, in capitals or not."""


def to_act_on(verdicts: pl.DataFrame) -> tuple[int, float]:
    """Return how many pumps are to be booked in or stood down, and how many of those in vain.

    An entry is needless with the chance that its pump is not worn after all; the second figure
    is the sum of these.
    """
    acted = verdicts.filter(pl.col("state").is_in([State.BOOK_IN.word, State.STAND_DOWN.word]))
    return len(acted), float((1.0 - acted["probability_worn"]).sum())


def matching(verdicts: pl.DataFrame, wanted: VerdictFilter) -> pl.DataFrame:
    """Return the verdicts that pass every filter."""
    for column in ("state", "depot", "pump_family", "leading_cause"):
        values = getattr(wanted, column)
        if values:
            verdicts = verdicts.filter(pl.col(column).is_in(list(values)))
    if wanted.vehicle_has:
        number = pl.col("vehicle").str.to_lowercase()
        verdicts = verdicts.filter(number.str.contains(wanted.vehicle_has.lower(), literal=True))
    return verdicts


def in_order(verdicts: pl.DataFrame, order: VerdictOrder) -> pl.DataFrame:
    """Return the verdicts in an order, then by vehicle, with the order's number as ``rank``."""
    ranked = verdicts.with_columns(_RANKS[order].cast(pl.Float64).alias("rank"))
    return ranked.sort("rank", "vehicle")


def verdict_page(
    verdicts: pl.DataFrame,
    wanted: VerdictFilter,
    order: VerdictOrder,
    after: tuple[float, str] | None,
    limit: int,
) -> list[dict[str, Any]]:
    """Return up to ``limit`` verdicts after the sort key ``after``, each with its own ``rank``.

    The sort key is (rank, vehicle), unique since a vehicle has one pump fitted.
    """
    rows = in_order(matching(verdicts, wanted), order)
    if after is not None:
        rank, vehicle = after
        same_rank = (pl.col("rank") == rank) & (pl.col("vehicle") > vehicle)
        rows = rows.filter((pl.col("rank") > rank) | same_rank)
    return rows.head(limit).to_dicts()
