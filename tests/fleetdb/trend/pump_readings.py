"""Readings of pumps for the filter, at reference conditions unless a test says otherwise."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from fleetdb.rail import mean_build_share
from fleetdb.trend.beliefs import Floats, PumpBelief, Readings, RecordBelief
from fleetdb.trend.build_windows import Windows, number_windows
from fleetdb.trend.constants import FamilyConstants, prior_constants
from fleetdb.trend.filtering import FORECAST_DAYS, Levels, look_ahead, run_filter

LN_BUILD_NEW = math.log(300.0)
CONSTANTS = prior_constants(LN_BUILD_NEW)
LEVELS = Levels(limit=0.8, act=1.1, notice_days=60.0)
FROM_SHARE, TO_SHARE = 0.2, 0.7
_, WINDOWS = number_windows(np.array([FROM_SHARE]), np.array([TO_SHARE]))


def readings(
    at_y: Any, ln_ratio: Any = math.nan, ln_build: Any = math.nan, **more: Any
) -> Readings:
    """Return readings at ``at_y``; what is not given is not measured, or as the reference."""
    n = len(np.asarray(at_y, dtype=float))
    columns = {name: np.zeros(n) for name in Readings._fields}
    columns |= {name: np.zeros(n, dtype=np.int64) for name in ("window", "repaired")}
    given = {"at_y": at_y, "ln_ratio": ln_ratio, "ln_build": ln_build, **more}
    for name, values in given.items():
        columns[name] = np.broadcast_to(np.asarray(values, dtype=columns[name].dtype), n).copy()
    return Readings(**columns)


def run(
    own: Readings,
    constants: FamilyConstants = CONSTANTS,
    *,
    end_y: float | None = None,
    start_y: float = 0.0,
    levels: Levels = LEVELS,
    forecast_days: tuple[float, ...] = FORECAST_DAYS,
    repaired_since: int = 0,
    failed_y: float = math.nan,
    windows: Windows = WINDOWS,
) -> tuple[RecordBelief, PumpBelief]:
    """Run the filter over one pump, to its last test or to ``end_y``."""
    n = len(own.at_y)
    last = own.at_y[-1] if n else start_y
    return run_filter(
        own,
        windows,
        np.array([0, n]),
        np.array([start_y]),
        np.array([last if end_y is None else end_y]),
        constants,
        levels.limit,
        look_ahead(constants, levels, forecast_days),
        np.array([repaired_since]),
        np.array([failed_y]),
    )


def ratio_of(ln_reserve: Any, constants: FamilyConstants = CONSTANTS) -> Floats:
    """Return the ln proof ratio a reserve gives: the soft minimum of reach and cap."""
    reach, k = np.asarray(ln_reserve, dtype=float), constants.cap_sharpness
    return -np.logaddexp(-k * reach, -k * constants.ln_cap) / k


def build_of(
    ln_reserve: Any, constants: FamilyConstants = CONSTANTS, *, ln_kit: float = 0.0
) -> Floats:
    """Return the ln build rate at reference conditions of a reserve above the window.

    A kit that reads low shows a slower climb, and starts and stops the watch at higher pressures.
    """
    x = np.asarray(ln_reserve, dtype=float)
    low, high = FROM_SHARE * math.exp(-ln_kit), TO_SHARE * math.exp(-ln_kit)

    def ln_share(ln_reach: Any, low: float, high: float) -> Floats:
        share = mean_build_share(np.exp(ln_reach), low, high)
        return np.log(share * (1.0 + constants.stiffening * (low + high) / 2.0))

    return (
        constants.ln_build_new
        + ln_kit
        + ln_share(x, low, high)
        - ln_share(constants.ln_reserve_new, FROM_SHARE, TO_SHARE)
        + constants.volumetric_share * (x - constants.ln_reserve_new)
    )
