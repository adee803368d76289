"""Constants of every family as taught by the records before the running quarter."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from fleetdb.trend.beliefs import Floats, RecordBelief
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.kits import KitHabits, correct_for_kits
from fleetdb.trend.learning import learn, sample_of, start_of_quarter, starting_constants
from fleetdb.trend.series import Series, years

_FEWEST_RECORDS_BEFORE_QUARTER = 60


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


class Teacher:
    """Learns each quarter's constants once; a backtest asks for the same quarter three times."""

    def __init__(self) -> None:
        self._learnt: dict[datetime, dict[str, FamilyConstants]] = {}

    def constants(
        self,
        families: list[Series],
        limits: dict[str, float],
        calibrations: dict[int, Floats],
        habits: KitHabits,
        as_of: datetime,
    ) -> dict[str, FamilyConstants]:
        """Return each family's constants at ``as_of`` (UTC, no zone).

        They are learnt from the records before the quarter of ``as_of``; a fleet with
        hardly any records before it learns from all there are, and is not remembered.
        """
        quarter = start_of_quarter(as_of)
        if quarter in self._learnt and all(
            s.pump_family in self._learnt[quarter] for s in families
        ):
            return self._learnt[quarter]
        until = float(years(np.array([quarter], dtype="datetime64[us]"))[0])
        past = [series.before(until) for series in families]
        young = sum(len(s.kit) for s in past) < _FEWEST_RECORDS_BEFORE_QUARTER
        if young:
            past = families
        start = {s.pump_family: starting_constants(s) for s in past}
        corrected, _ = correct_for_kits(
            past,
            lambda s: beliefs_at_records(s, start[s.pump_family], limits[s.pump_family]),
            calibrations,
            habits,
        )
        learnt = {
            s.pump_family: learn(sample_of(s), start[s.pump_family], limits[s.pump_family])
            for s in corrected
        }
        if not young:
            self._learnt[quarter] = learnt
        return learnt
