"""What goes into the reserve filter and what comes out: plain arrays with units."""

from __future__ import annotations

from enum import IntFlag
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Repairs = NDArray[np.int64]
"""Sums of ``Repair``."""


class Repair(IntFlag):
    """What was repaired, or found, between tests; ``sql/repairs.sql`` counts the same way."""

    SUPPLY = 1
    """A new fuel filter: flow that a clogged one held back."""
    INJECTORS = 2
    REGULATOR = 4
    UNTOLD = 8
    """Whatever was done after a failure on the road for which no new pump is on record."""
    LEAKS = INJECTORS | REGULATOR | UNTOLD
    """What can give back what leaked away."""
    FOUND_SOUND = 16
    """The pump was looked at and no fault was found: nothing is given back, but something known."""
    FOUND_CLOGGED = 32
    """The fuel filter that was changed was found worn; always with ``SUPPLY``."""


class Readings(NamedTuple):
    """Records of many pumps, sorted by pump and time; each array has shape (n_records,)."""

    at_y: Floats
    """Time of the test. [y]"""
    ln_ratio: Floats
    """ln(proof ratio), NaN where not measured or set aside."""
    ln_build: Floats
    """ln(build rate [bar/s]), NaN likewise."""
    ln_speed: Floats
    """ln(crank speed / reference), expected where not measured."""
    var_ln_speed: Floats
    ln_viscosity: Floats
    """ln(viscosity / that at reference temperature), expected where not measured."""
    var_ln_viscosity: Floats
    ln_kit: Floats
    """What the kit is believed to add to ln pressure."""
    var_ln_kit: Floats
    season: Floats
    """1 on the warmest day of the year, -1 on the coldest, nearer 0 where seasons hardly differ."""
    window: NDArray[np.int64]
    """Number of the pressure window the build rate was timed over (``build_windows``)."""
    repaired: Repairs
    """What was repaired or found since the test before."""
    slipped: Floats
    """1 where the ratio is taken for MPa written as bar; it carries no weight."""

    def rows(self, which: slice | NDArray[Any]) -> Readings:
        """Return the records of a slice, an index array or a mask."""
        return Readings._make(values[which] for values in self)


class RecordBelief(NamedTuple):
    """What the filter thought at each record, shape (n_records,)."""

    p_worn: Floats
    """Probability that the pump is to be acted on (``LookAhead.worn``)."""
    p_below: Floats
    """Probability that reserve is below the family's limit now."""
    ln_reserve: Floats
    p_botched_ratio: Floats
    p_botched_build: Floats
    ratio_residual: Floats
    """ln ratio minus what was expected of it from the tests before."""
    var_ratio_residual: Floats

    def rows(self, which: NDArray[np.bool_]) -> RecordBelief:
        """Return the beliefs at the records of a mask."""
        return RecordBelief._make(values[which] for values in self)


class LookAhead(NamedTuple):
    """What comes of a pump from each cell of the grid, shape (..., n_rows, n_reserves)."""

    worn: Floats
    """Chance that the pump is to be acted on: below the act line now, or below the limit
    within the notice."""
    below_at: Floats
    """Chance of being below the limit at each forecast time."""


class PumpBelief(NamedTuple):
    """What the filter thinks of each pump at the end, shape (n_pumps, ...)."""

    ln_reserve: Floats
    """10, 50 and 90 % points, shape (n_pumps, 3)."""
    ln_ratio: Floats
    """The same of what a test at reference conditions with a true kit would read."""
    p_worn: Floats
    p_below: Floats
    p_below_at: Floats
    """Probability of being below the limit at each forecast time, shape (n_pumps, n_times)."""
    wear_per_y: Floats
    p_starved: Floats
    """Probability that the supply, not the pump, holds the reserve down."""
    log_evidence: Floats

    def rows(self, which: NDArray[np.bool_]) -> PumpBelief:
        """Return the beliefs of the pumps of a mask."""
        return PumpBelief._make(values[which] for values in self)


def empty_record_belief(n_records: int) -> RecordBelief:
    """Return arrays for ``n_records`` records to be filled by the filter."""
    return RecordBelief(*(np.full(n_records, np.nan) for _ in RecordBelief._fields))


def empty_pump_belief(n_pumps: int, n_times: int) -> PumpBelief:
    """Return arrays for ``n_pumps`` pumps and ``n_times`` forecast times."""
    return PumpBelief(
        np.full((n_pumps, 3), np.nan),
        np.full((n_pumps, 3), np.nan),
        np.full(n_pumps, np.nan),
        np.full(n_pumps, np.nan),
        np.full((n_pumps, n_times), np.nan),
        np.full(n_pumps, np.nan),
        np.full(n_pumps, np.nan),
        np.zeros(n_pumps),
    )
