"""How workshops time: what all build rates of one have in common beside the pumps they are of.

Who starts the watch late, or reads a damped needle, gets rates that are a few per cent off,
always alike; a window that the model has not quite right looks the same. Taken for the pumps', it
comes out as fuel, reserve and wear that are not so, the more the fewer workshops there are. So each
workshop's rates have a level of their own in each family, learnt with the constants
(``learning``), which the filter takes out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pyarrow as pa

from fleetdb.trend.series import Series

Habits = Mapping[str, float]
"""ln of a workshop's build rates over what others would time, by the workshop's name."""

SCHEMA = pa.schema(
    [
        ("pump_family", pa.string()),
        ("workshop", pa.string()),
        ("ln_build_over_others", pa.float64()),
    ]
)


def with_habits(series: Series, habits: Habits) -> Series:
    """Return ``series`` with its workshops' habits; a workshop not named has none."""
    by_number = np.array([*(habits.get(name, 0.0) for name in series.workshops), 0.0])
    # A window without a workshop has number -1: the last.
    own = by_number[series.windows.workshop]
    return replace(series, windows=series.windows._replace(ln_habit=own))


def habits_table(habits: Mapping[str, Habits]) -> pa.Table:
    """Return the habits of each family's workshops as a table, as a snapshot publishes it."""
    rows = [
        {"pump_family": family, "workshop": workshop, "ln_build_over_others": level}
        for family, own in habits.items()
        for workshop, level in own.items()
    ]
    return pa.Table.from_pylist(rows, schema=SCHEMA)


def habits_from_table(table: pa.Table) -> dict[str, Habits]:
    """Return the habits of a published table, by family."""
    habits: dict[str, dict[str, float]] = defaultdict(dict)
    for row in table.to_pylist():
        habits[row["pump_family"]][row["workshop"]] = row["ln_build_over_others"]
    return dict(habits)
