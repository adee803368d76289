"""Run the reserve filter over a family's pumps, in threads (the kernels hold no Python lock)."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import (
    Floats,
    LookAhead,
    PumpBelief,
    Readings,
    RecordBelief,
    Repairs,
    empty_pump_belief,
    empty_record_belief,
)
from fleetdb.trend.build_windows import Windows
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.reserve_filter import (
    LN_RESERVE,
    LN_RESERVE_STEP,
    N_RESERVES,
    N_ROWS,
    run_pumps,
    tabulate_below,
    weigh_lives,
)

DAYS_PER_YEAR = 365.25
FORECAST_DAYS = (
    *(15.0, 30.0, 45.0, 60.0, 75.0, 90.0, 120.0, 150.0, 180.0, 240.0, 300.0, 365.0),
    *(455.0, 545.0, 640.0, 730.0, 915.0, 1095.0),
)
"""Days ahead at which the probability of being below the limit is worked out."""

# 7 ms of work: starting threads takes 1 ms, and a server has others to answer meanwhile.
_FEWEST_FOR_THREADS = 1_000


@dataclass(frozen=True)
class Levels:
    """The lines a reserve is held against."""

    limit: float
    """The family's proof ratio limit. [-]"""
    act: float
    """Reserve below which the pump should be acted on. [-]"""
    notice_days: float
    """So far ahead it should be acted on if it will be below the limit by then. [d]"""


@lru_cache(maxsize=64)
def look_ahead(
    constants: FamilyConstants, levels: Levels, forecast_days: tuple[float, ...] = FORECAST_DAYS
) -> LookAhead:
    """Return what comes of a pump from each cell of the filter's grid.

    The motion is linear in the belief, so each forecast is a mean over the belief of a number
    per cell, worked out once per family instead of once per pump and test.
    """
    times_y = np.array([*forecast_days, levels.notice_days]) / DAYS_PER_YEAR
    order = np.argsort(times_y, kind="stable")
    below = np.empty((len(times_y), N_ROWS, N_RESERVES))
    tabulate_below(constants, math.log(levels.limit), times_y[order], below)
    below = below[np.argsort(order, kind="stable")]
    worn_now = np.clip((math.log(levels.act) - LN_RESERVE) / LN_RESERVE_STEP + 0.5, 0.0, 1.0)
    return LookAhead(worn=np.maximum(below[-1], worn_now), below_at=below[:-1])


# For callers that only want what the records say, without looking ahead.
NO_LOOK_AHEAD = LookAhead(
    worn=np.zeros((N_ROWS, N_RESERVES)), below_at=np.zeros((0, N_ROWS, N_RESERVES))
)


def run_filter(
    readings: Readings,
    windows: Windows,
    offsets: NDArray[np.int64],
    start_y: Floats,
    end_y: Floats,
    constants: FamilyConstants,
    limit: float,
    ahead: LookAhead = NO_LOOK_AHEAD,
    repaired_since: Repairs | None = None,
    failed_y: Floats | None = None,
) -> tuple[RecordBelief, PumpBelief]:
    """Return the belief at each record and of each pump at its ``end_y``.

    Parameters
    ----------
    readings
        Records sorted by pump and time; each array shape (n_records,).
    windows
        What ``readings.window`` numbers.
    offsets
        Pump ``n`` has the records ``offsets[n]`` to ``offsets[n + 1]``; shape (n_pumps + 1,).
    start_y, end_y
        When each pump was fitted and when its belief is wanted; shape (n_pumps,). [y]
    limit
        The family's proof ratio limit. [-]
    repaired_since
        What was repaired after the pump's last record; shape (n_pumps,).
    failed_y
        When the pump failed on the road after its last record, else NaN; shape (n_pumps,). [y]
        Until then, or until ``end_y``, it has not failed, which speaks against wear.
    """
    n_pumps = len(offsets) - 1
    records = empty_record_belief(len(readings.at_y))
    pumps = empty_pump_belief(n_pumps, len(ahead.below_at))
    shared = (
        offsets,
        start_y,
        np.full(n_pumps, np.nan) if failed_y is None else failed_y,
        end_y,
        np.zeros(n_pumps, np.int64) if repaired_since is None else repaired_since,
        readings,
        windows,
        constants,
        math.log(limit),
        ahead,
        records,
        pumps,
    )
    _in_threads(run_pumps, n_pumps, int(offsets[-1]), shared)
    return records, pumps


def evidence_of_lives(
    readings: Readings,
    windows: Windows,
    offsets: NDArray[np.int64],
    start_y: Floats,
    failed_y: Floats,
    constants: FamilyConstants,
    limit: float,
) -> Floats:
    """Return the log of how likely each pump's records and fate are, shape (n_pumps,).

    ``failed_y`` is when the pump failed on the road after its last record, else NaN [y]; the
    rest as for ``run_filter``. Where no record could tell how much a cold pump has in hand,
    what became of such pumps does.
    """
    n_pumps = len(offsets) - 1
    evidence = np.zeros(n_pumps)
    ln_limit = math.log(limit)
    shared = (offsets, start_y, failed_y, readings, windows, constants, ln_limit, evidence)
    _in_threads(weigh_lives, n_pumps, int(offsets[-1]), shared)
    return evidence


def _in_threads(
    kernel: Callable[..., None], n_pumps: int, n_records: int, shared: tuple[Any, ...]
) -> None:
    """Run ``kernel(first, last, *shared)`` over all pumps."""
    n_threads = os.cpu_count() or 1
    if n_records < _FEWEST_FOR_THREADS or n_threads == 1:
        kernel(0, n_pumps, *shared)
        return
    edges = np.linspace(0, n_pumps, 4 * n_threads + 1).astype(np.int64)
    with ThreadPoolExecutor(n_threads) as pool:
        for task in [pool.submit(kernel, int(a), int(b), *shared) for a, b in pairwise(edges)]:
            task.result()
