"""Run the reserve filter over a family's pumps, in threads (the kernels hold no Python lock)."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import (
    Floats,
    PumpBelief,
    Readings,
    RecordBelief,
    empty_pump_belief,
    empty_record_belief,
)
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.reserve_filter import run_pumps

DAYS_PER_YEAR = 365.25
FORECAST_DAYS = np.array(
    [15, 30, 45, 60, 75, 90, 120, 150, 180, 240, 300, 365, 455, 545, 640, 730, 915, 1095],
    dtype=float,
)
"""Days ahead at which the probability of being below the limit is worked out."""

NO_FORECAST = np.empty(0)


@dataclass(frozen=True)
class Levels:
    """The lines a reserve is held against."""

    limit: float
    """The family's proof ratio limit. [-]"""
    act: float
    """Reserve below which the pump should be acted on. [-]"""
    horizon_days: float


def run_filter(
    readings: Readings,
    windows: Floats,
    offsets: NDArray[np.int64],
    start_y: Floats,
    end_y: Floats,
    constants: FamilyConstants,
    levels: Levels,
    forecast_days: Floats = FORECAST_DAYS,
) -> tuple[RecordBelief, PumpBelief]:
    """Return the belief at each record and of each pump at its ``end_y``.

    Parameters
    ----------
    readings
        Records sorted by pump and time; each array shape (n_records,).
    windows
        Build share of the windows that ``readings.window`` numbers (``build_windows``).
    offsets
        Pump ``n`` has the records ``offsets[n]`` to ``offsets[n + 1]``; shape (n_pumps + 1,).
    start_y, end_y
        When each pump was fitted and when its belief is wanted; shape (n_pumps,). [y]
    """
    n_pumps = len(offsets) - 1
    records = empty_record_belief(len(readings.at_y))
    pumps = empty_pump_belief(n_pumps, len(forecast_days))
    shared = (
        offsets,
        start_y,
        end_y,
        readings,
        windows,
        constants,
        math.log(levels.act),
        math.log(levels.limit),
        levels.horizon_days / DAYS_PER_YEAR,
        forecast_days / DAYS_PER_YEAR,
        records,
        pumps,
    )
    n_threads = os.cpu_count() or 1
    if n_pumps < 64 or n_threads == 1:
        run_pumps(0, n_pumps, *shared)
        return records, pumps
    edges = np.linspace(0, n_pumps, 4 * n_threads + 1).astype(np.int64)
    with ThreadPoolExecutor(n_threads) as pool:
        for task in [pool.submit(run_pumps, int(a), int(b), *shared) for a, b in pairwise(edges)]:
            task.result()
    return records, pumps
