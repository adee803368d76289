"""What an assessment returns, and the fleet-wide context one vehicle's verdict needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from fleetdb.trend.book_in_line import BookInLine
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.series import USUAL_CONDITIONS, Series
from fleetdb.trend.timing_habits import Habits, habits_from_table

USUAL_TABLES = (*USUAL_CONDITIONS, "usual_leak", "usual_hold")
_TABLES_AS_THEY_ARE = ("kit_bias", *USUAL_TABLES)
CONTEXT_TABLES = ("constants", "timing_habits", "book_in_line", "trend_line", *_TABLES_AS_THEY_ARE)
"""The published tables a context is made of."""


METHOD = 16
"""Version of the method. Raise it with any change that an older snapshot cannot serve."""


@dataclass(frozen=True)
class FleetContext:
    """What a vehicle's verdict takes from the rest of the fleet.

    ``kit_bias`` has kit, at_y, ln_bias, var_ln_bias, p_off, one row per test or calibration, by kit
    and time; those of ``USUAL_TABLES`` are the answers of the queries of those names.
    """

    constants: dict[str, FamilyConstants]
    habits: dict[str, Habits]
    """How workshops time, by family."""
    line: BookInLine
    trend_p: float
    kit_bias: pa.Table
    usual_fuel_temp: pa.Table
    usual_crank_speed: pa.Table
    usual_window: pa.Table
    usual_leak: pa.Table
    usual_hold: pa.Table

    def kit_bias_of(self, kits: Sequence[str]) -> pa.Table:
        """Return the rows of ``kit_bias`` of some kits: a look-up, however many kits there are."""
        spans = [self._rows_of_kit[kit] for kit in kits if kit in self._rows_of_kit]
        none = self.kit_bias.slice(0, 0)
        return pa.concat_tables([none, *(self.kit_bias.slice(*span) for span in spans)])

    @cached_property
    def _rows_of_kit(self) -> dict[str, tuple[int, int]]:
        """First row and number of rows of each kit; a kit's rows follow on each other."""
        names = self.kit_bias["kit"].combine_chunks()
        runs = pc.run_end_encode(names)  # pyright: ignore[reportAttributeAccessIssue]
        ends = runs.run_ends.to_pylist()
        return {
            kit: (first, end - first)
            for kit, first, end in zip(runs.values.to_pylist(), [0, *ends], ends, strict=False)
        }

    def constants_of(self, series: Series) -> FamilyConstants:
        """Return the constants of a series' family, its prior ones if it was never taught."""
        return self.constants.get(series.pump_family) or starting_constants(series)

    @classmethod
    def of(cls, tables: Mapping[str, pa.Table]) -> FleetContext:
        """Return the context kept in a published assessment's tables."""
        constants = {
            row.pop("pump_family"): FamilyConstants(**row)
            for row in tables["constants"].to_pylist()
        }
        return cls(
            constants=constants,
            habits=habits_from_table(tables["timing_habits"]),
            line=BookInLine.of(tables["book_in_line"]),
            trend_p=tables["trend_line"]["largest_p"][0].as_py(),
            **{name: tables[name] for name in _TABLES_AS_THEY_ARE},
        )


@dataclass(frozen=True)
class Assessment:
    """Verdicts at one date, and what they rest on; ``tables`` is what a snapshot publishes."""

    tables: dict[str, pa.Table]
    meta: dict[str, Any]

    @property
    def verdicts(self) -> pa.Table:
        """One row per vehicle: its present pump, at the date of the assessment."""
        return self.tables["verdicts"]
