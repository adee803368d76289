"""What a distribution-free trend says beside the filter: build rates and distance.

The filter believes in a model of wear and in its scatter. These figures believe in neither, so
that a manager can see whether the plain readings point the same way. Only what a window, a
workshop's way of timing, a kit and the crank speed make of a build rate is taken out of it.
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend import queries
from fleetdb.trend.beliefs import Floats
from fleetdb.trend.build_windows import Windows, ln_share_at
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.robust import robust_trend
from fleetdb.trend.series import Series, years

CONFIDENCE = 0.95
MOST_TESTS = 12
_BUILD_YEARS = 2.0
_PACE_DAYS = 365
_BUILD, _PACE = 0, 1


class Measured(NamedTuple):
    """Present pumps of a family, and ln of the reserve each is believed to have now."""

    series: Series
    ln_reserve: Floats
    """Shape (n_pumps,)."""


def second_opinions(
    connection: queries.Connection,
    families: list[Measured],
    constants: dict[str, FamilyConstants],
    as_of: datetime,
) -> dict[str, pa.Table]:
    """Return the trend of the build rate and the pace of each present pump.

    Parameters
    ----------
    connection
        DuckDB with the tables of ``keep_readings``.
    families
        Series with what kits add (``ln_kit``) and how workshops time (``windows.ln_habit``), and
        what each pump is believed to be now.
    constants
        Those of each family, by name.
    as_of
        Bare UTC; nothing later is in ``connection`` and ``families``.

    Returns
    -------
    ``builds``, one row per present pump with a build rate, in order of ``pump_id``
        ``build_trend_pct_per_year``, ``build_trend_low``, ``build_trend_high`` (95 %) [%/y],
        ``build_trend_p`` (two-sided) [-], null as ``robust_trend`` says;
        ``build_trend_tests``, the number of tests it rests on. Of the last 12 build rates
        within two years, less what kit, crank speed, the window timed over and the workshop's
        habit make of that of a pump as this one is now. Fuel viscosity is not allowed for: cold
        tests at one end only lean the trend a little.
    ``pace``, one row per present pump whose vehicle has an odometer reading, likewise
        ``km_per_day``: the slope of the vehicle's last 12 odometer readings within a year,
        which one slip among four or more does not upset; null with fewer than 3, and where
        distance does not grow. ``km_now``: where that line is at ``as_of``.
    """
    distances = queries.answer(connection, "odometer_points", as_of=as_of, pace_days=_PACE_DAYS)
    points = pa.concat_tables(
        [_keyed(_build_points(families, constants, as_of), _BUILD), _keyed(distances, _PACE)]
    )
    trend = robust_trend(points, CONFIDENCE, MOST_TESTS)
    kind = trend["series_key"].to_numpy() % 2
    builds, pace = (trend.filter(pa.array(kind == own)) for own in (_BUILD, _PACE))
    km_per_day = pace["slope"].to_numpy()
    return {
        "builds": pa.table(
            {
                "pump_id": _pump_id(builds),
                "build_trend_pct_per_year": _pct_per_year(builds["slope"]),
                "build_trend_low": _pct_per_year(builds["slope_low"]),
                "build_trend_high": _pct_per_year(builds["slope_high"]),
                "build_trend_p": builds["p_value"],
                "build_trend_tests": builds["n_points"],
            }
        ),
        "pace": pa.table(
            {
                "pump_id": _pump_id(pace),
                "km_per_day": pa.array(km_per_day, mask=~(km_per_day > 0)),
                "km_now": pace["intercept"].to_numpy() + km_per_day * _days_since_1970(as_of),
            }
        ),
    }


def _build_points(
    families: list[Measured], constants: dict[str, FamilyConstants], as_of: datetime
) -> pa.Table:
    """Return ln of the build rates at the reference crank speed and over one window, over years."""
    since_y = years(np.array([as_of], dtype="datetime64[us]"))[0] - _BUILD_YEARS
    keys, at_y, ln_build = [np.empty(0, np.int64)], [np.empty(0)], [np.empty(0)]
    for series, ln_reserve in families:
        own, tests = series.readings, np.diff(series.offsets)
        of_family = constants[series.pump_family]
        reach = np.where(np.isnan(ln_reserve), of_family.ln_reserve_new, ln_reserve)
        by_window = _made_by_windows(
            series.windows, own.window, np.repeat(reach, tests), of_family.stiffening
        )
        value = own.ln_build - own.ln_kit - own.ln_speed - by_window
        used = ~np.isnan(value) & (own.at_y >= since_y)
        pump_id = np.repeat(series.pumps["pump_id"].to_numpy(), tests)
        keys.append(pump_id[used])
        at_y.append(own.at_y[used])
        ln_build.append(value[used])
    return pa.table(
        {
            "series_key": np.concatenate(keys),
            "at": np.concatenate(at_y),
            "value": np.concatenate(ln_build),
        }
    )


def _made_by_windows(
    windows: Windows, window: NDArray[np.int64], ln_reach: Floats, stiffening: float
) -> Floats:
    """Return what timing over each test's window, the workshop's way, makes of ln of its rate.

    Shape (n_tests,). One reach for all tests of a pump: what leaks within a window grows as the
    pump wears, and that is left in the rates.
    """
    by_window = np.log1p(stiffening * windows.middle) + windows.ln_habit
    return ln_share_at(windows, window, ln_reach) + by_window[window]


def _keyed(points: pa.Table, kind: int) -> pa.Table:
    key = 2 * points["series_key"].to_numpy() + kind
    return points.set_column(0, "series_key", pa.array(key))


def _days_since_1970(moment: datetime) -> float:
    return float(np.datetime64(moment, "us").astype(np.int64) / 86_400e6)


def _pump_id(trend: pa.Table) -> NDArray[np.int64]:
    return trend["series_key"].to_numpy() // 2


def _pct_per_year(slope: pa.ChunkedArray) -> Floats:
    return 100 * np.expm1(slope.to_numpy())
