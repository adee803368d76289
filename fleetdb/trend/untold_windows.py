"""Workshops that never say over which pressures they time the build rate.

A rate over a lower window is faster by a tenth or two, and by another share hot than cold, so
a window taken wrongly comes out as fuel, wear and reserve that are not so, of every pump tested
there, and in the constants of its whole family. So constants are learnt from the other
workshops' rates, and the window of one that never says is the one that then makes its
rates most likely, of a grid of windows; coarse, since mostly the middle matters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend import queries
from fleetdb.trend.build_windows import WORKSHOP_WINDOWS, Windows, number_windows
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import evidence_of_lives
from fleetdb.trend.series import Series

CANDIDATES = np.array(
    [(low, high) for low in (0.05, 0.15, 0.25) for high in (0.45, 0.6, 0.75, 0.9)]
)
"""Windows a workshop may time over, share of the target; shape (n_candidates, 2). [-]"""
_MOST_PUMPS = 40
_FEWEST_BUILDS = 20
# With fewer build rates of a known window there is nothing better to learn from.
_FEWEST_TOLD_BUILDS = 60
_TOLD, _NOWHERE = -2, -1  # instead of a workshop's number


@dataclass(frozen=True)
class Untold:
    """Which records have a build rate of a workshop that never says its window."""

    workshops: list[str]
    reading_no: NDArray[np.int64]
    """In order, shape (n_untold,)."""
    workshop: NDArray[np.int64]
    """Number of each one's workshop in ``workshops``; -1: nobody said where."""

    @classmethod
    def among(cls, connection: duckdb.DuckDBPyConnection) -> Untold:
        """Return those among the readings kept in the connection."""
        found = queries.answer(connection, "untold_builds")
        names = found["workshop"].combine_chunks().dictionary_encode()
        return cls(
            workshops=names.dictionary.to_pylist(),
            reading_no=found["reading_no"].to_numpy(),
            workshop=names.indices.fill_null(_NOWHERE).to_numpy(zero_copy_only=False),
        )

    def workshop_of(self, series: Series) -> NDArray[np.int64]:
        """Return the number of each record's workshop; -2 where the window is known."""
        wanted = series.records["reading_no"].to_numpy()
        workshop = np.full(len(wanted), _TOLD, dtype=np.int64)
        if len(self.reading_no):
            place = np.minimum(np.searchsorted(self.reading_no, wanted), len(self.reading_no) - 1)
            here = self.reading_no[place] == wanted
            workshop[here] = self.workshop[place[here]]
        return workshop


def with_told_windows(series: Series, workshop: NDArray[np.int64]) -> Series:
    """Return ``series`` without the build rates of untold windows, if enough others remain.

    ``workshop`` is what ``Untold.workshop_of`` says of its records.
    """
    if not _enough_told(series, workshop):
        return series
    build = np.where(workshop == _TOLD, series.readings.ln_build, np.nan)
    return replace(series, readings=series.readings._replace(ln_build=build))


def _enough_told(series: Series, workshop: NDArray[np.int64]) -> bool:
    told = ~np.isnan(series.readings.ln_build) & (workshop == _TOLD)
    return bool(np.count_nonzero(told) >= _FEWEST_TOLD_BUILDS)


def guess_windows(
    series: Series,
    workshop: NDArray[np.int64],
    names: list[str],
    constants: FamilyConstants,
    limit: float,
) -> pa.Table:
    """Return the likeliest window of each workshop that never says, as ``WORKSHOP_WINDOWS``.

    ``workshop`` is what ``Untold.workshop_of`` says of the records, ``names`` what it numbers.
    A workshop with hardly any build rates is left out, and so is every one where no other
    tells its window: then there is nothing to hold a guess against.
    """
    rows: list[dict[str, object]] = []
    guessable = workshop[workshop >= 0] if _enough_told(series, workshop) else workshop[:0]
    for number, builds in zip(*np.unique(guessable, return_counts=True), strict=True):
        if builds >= _FEWEST_BUILDS:
            evidence = _evidence_of_candidates(series, workshop, number, constants, limit)
            low, high = CANDIDATES[int(np.argmax(evidence))].tolist()
            rows.append(
                {
                    "pump_family": series.pump_family,
                    "workshop": names[number],
                    "from_share": low,
                    "to_share": high,
                }
            )
    return pa.Table.from_pylist(rows, schema=WORKSHOP_WINDOWS)


def _evidence_of_candidates(
    series: Series,
    workshop: NDArray[np.int64],
    number: int,
    constants: FamilyConstants,
    limit: float,
) -> NDArray[np.float64]:
    """Return how likely some pumps tested there are, per candidate of that workshop's window."""
    counts = np.diff(series.offsets)
    pump = np.repeat(np.arange(series.n_pumps), counts)
    tested = np.unique(pump[workshop == number])
    which = series.evenly_chosen(tested, min(_MOST_PUMPS, len(tested)))
    some, there = series.of_pumps(which), workshop[np.repeat(which, counts)]
    # Another workshop's untold window must not speak of this one's.
    readings = some.readings._replace(
        ln_build=np.where((there == _TOLD) | (there == number), some.readings.ln_build, np.nan)
    )
    numbers, candidates = number_windows(CANDIDATES[:, 0], CANDIDATES[:, 1])
    known = len(some.windows.middle)
    windows = Windows._make(map(np.concatenate, zip(some.windows, candidates, strict=True)))
    return np.array(
        [
            evidence_of_lives(
                readings._replace(
                    window=np.where(there == number, known + candidate, readings.window)
                ),
                windows,
                some.offsets,
                some.start_y,
                some.failed_y,
                constants,
                limit,
            ).sum()
            for candidate in numbers.tolist()
        ]
    )
