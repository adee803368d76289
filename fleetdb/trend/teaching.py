"""Constants of every family, as taught by what was known when the running half-year began."""

from __future__ import annotations

from datetime import datetime, timedelta

import duckdb

from fleetdb.trend.beliefs import RecordBelief
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.kits import KitHabits, correct_for_kits
from fleetdb.trend.known import Known, known_at
from fleetdb.trend.learning import learn, sample_of, starting_constants
from fleetdb.trend.series import Series

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


def taught_by(known: Known, habits: KitHabits) -> dict[str, FamilyConstants]:
    """Return each family's constants as learnt from all of ``known``."""
    start = {s.pump_family: starting_constants(s) for s in known.families}
    corrected, _ = correct_for_kits(
        known.families,
        lambda s: beliefs_at_records(s, start[s.pump_family], known.limits[s.pump_family]),
        known.calibrations,
        habits,
    )
    return {
        s.pump_family: learn(sample_of(s), start[s.pump_family], known.limits[s.pump_family])
        for s in corrected
    }


class Teacher:
    """Learns each half-year's constants once; a replay asks for the same one six times.

    What was known before the half-year began teaches; a fleet with hardly any records then
    learns from all there are, and that is not remembered.
    """

    def __init__(self) -> None:
        self._learnt: dict[datetime, dict[str, FamilyConstants]] = {}

    def constants(
        self, connection: duckdb.DuckDBPyConnection, as_of: datetime, habits: KitHabits
    ) -> dict[str, FamilyConstants]:
        """Return the constants of the families known when the half-year of ``as_of`` began.

        ``as_of`` is UTC, no zone. The tables of ``known_at`` in the connection are replaced.
        """
        period = start_of_half_year(as_of)
        if period not in self._learnt:
            one_in = max(_vehicles(connection) // _MOST_VEHICLES, 1)
            before = known_at(connection, period - timedelta(microseconds=1), one_in=one_in)
            if before.n_records < _FEWEST_RECORDS:
                return taught_by(known_at(connection, as_of, one_in=one_in), habits)
            self._learnt[period] = taught_by(before, habits)
        return self._learnt[period]


def _vehicles(connection: duckdb.DuckDBPyConnection) -> int:
    [(number,)] = connection.execute("SELECT count(*) FROM vehicles").fetchall()
    return number


def with_new_families(
    taught: dict[str, FamilyConstants], known: Known
) -> dict[str, FamilyConstants]:
    """Return ``taught`` and, for families that have come since, what their own records say."""
    return taught | {
        s.pump_family: learn(sample_of(s), starting_constants(s), known.limits[s.pump_family])
        for s in known.families
        if s.pump_family not in taught
    }
