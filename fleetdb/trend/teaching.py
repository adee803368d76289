"""What the fleet teaches of every family, from what was known when the running half-year began."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow as pa

from fleetdb.trend.beliefs import RecordBelief
from fleetdb.trend.build_windows import NO_WINDOWS
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.kits import KitHabits, correct_for_kits
from fleetdb.trend.known import Known, known_at
from fleetdb.trend.learning import sample_of, starting_constants
from fleetdb.trend.learnt_before import LearntBefore
from fleetdb.trend.series import Series
from fleetdb.trend.timing_habits import Habits, with_habits
from fleetdb.trend.untold_windows import Untold, guess_windows, with_told_windows

NOTHING_LEARNT = LearntBefore(None)
_FEWEST_RECORDS = 60
# Enough for the sample of every family and for the kits they were tested with.
_MOST_VEHICLES = 3_000


def beliefs_at_records(series: Series, constants: FamilyConstants, limit: float) -> RecordBelief:
    """Return the filter's belief at each record, without looking ahead."""
    records, _ = run_filter(
        series.readings,
        series.windows,
        series.offsets,
        series.start_y,
        series.start_y,
        constants,
        limit,
    )
    return records


def start_of_half_year(moment: datetime) -> datetime:
    """Return the first instant of the half-year ``moment`` is in."""
    return datetime(moment.year, 1 if moment.month <= 6 else 7, 1)  # noqa: DTZ001 - UTC, bare


@dataclass(frozen=True)
class Taught:
    """What is learnt of a fleet's families."""

    constants: dict[str, FamilyConstants]
    habits: dict[str, Habits]
    """How workshops time, by family."""
    windows: pa.Table
    """Guessed windows of workshops that never say theirs (``untold_windows``)."""


def taught_by(
    known: Known, untold: Untold, habits: KitHabits, before: LearntBefore = NOTHING_LEARNT
) -> Taught:
    """Return what is learnt from all of ``known``."""
    start = {s.pump_family: starting_constants(s) for s in known.families}
    corrected, _ = correct_for_kits(
        known.families,
        lambda s: beliefs_at_records(s, start[s.pump_family], known.limits[s.pump_family]),
        known.calibrations,
        habits,
    )
    constants: dict[str, FamilyConstants] = {}
    timing: dict[str, Habits] = {}
    windows = [NO_WINDOWS]
    for series in corrected:
        family, limit = series.pump_family, known.limits[series.pump_family]
        workshop = untold.workshop_of(series)
        own = _learnt_from(with_told_windows(series, workshop), limit, before)
        constants[family], timing[family] = own
        heard = with_habits(series, timing[family])
        windows.append(guess_windows(heard, workshop, untold.workshops, constants[family], limit))
    return Taught(constants, timing, pa.concat_tables(windows))


def _learnt_from(
    series: Series, limit: float, before: LearntBefore = NOTHING_LEARNT
) -> tuple[FamilyConstants, Habits]:
    learnt = before.learn(sample_of(series), starting_constants(series), limit)
    return learnt.constants, {
        series.workshops[number]: level for number, level in learnt.habits.items()
    }


class Teacher:
    """Learns once for each half-year; a replay asks for the same one six times.

    What was known before the half-year began teaches; a fleet with hardly any records then
    learns from all there are, and that is not remembered.
    """

    def __init__(self, folder: Path | None = None) -> None:
        """Remember beyond this teacher's life, and others', in ``folder`` if it is given."""
        self._before = LearntBefore(folder)
        self._learnt: dict[datetime, Taught] = {}

    def taught(
        self, connection: duckdb.DuckDBPyConnection, as_of: datetime, habits: KitHabits
    ) -> Taught:
        """Return what there was to learn when the half-year of ``as_of`` began.

        ``as_of`` is UTC, no zone. The tables of ``known_at`` in the connection are replaced.
        """
        period = start_of_half_year(as_of)
        if period not in self._learnt:
            one_in = max(_vehicles(connection, period) // _MOST_VEHICLES, 1)
            before = known_at(connection, period - timedelta(microseconds=1), one_in=one_in)
            if before.n_records < _FEWEST_RECORDS:
                before = known_at(connection, as_of, one_in=one_in)
                return taught_by(before, Untold.among(connection), habits, self._before)
            untold = Untold.among(connection)
            self._learnt[period] = taught_by(before, untold, habits, self._before)
        return self._learnt[period]


def _vehicles(connection: duckdb.DuckDBPyConnection, moment: datetime) -> int:
    """Return how many vehicles were in service at ``moment``: later ones move no past verdict."""
    [(number,)] = connection.execute(
        "SELECT count(*) FROM vehicles WHERE in_service_on <= $moment", {"moment": moment}
    ).fetchall()
    return number


def with_new_families(taught: Taught, known: Known) -> Taught:
    """Return what is in ``taught`` and what families that have come since teach of themselves."""
    new = {
        s.pump_family: _learnt_from(s, known.limits[s.pump_family])
        for s in known.families
        if s.pump_family not in taught.constants
    }
    return replace(
        taught,
        constants=taught.constants | {family: own for family, (own, _) in new.items()},
        habits=taught.habits | {family: habits for family, (_, habits) in new.items()},
    )
