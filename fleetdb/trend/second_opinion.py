"""What a distribution-free trend says beside the filter: build rates and distance.

The filter believes in a model of wear and in its scatter. These figures believe in neither, so
that a manager can see whether the plain readings point the same way.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import numpy as np
import pyarrow as pa

from fleetdb.trend import queries
from fleetdb.trend.beliefs import Floats
from fleetdb.trend.robust import robust_trend
from fleetdb.trend.series import Series

CONFIDENCE = 0.95
MOST_TESTS = 12
_BUILD_YEARS = 2.0
_PACE_DAYS = 365


def build_trend(
    connection: duckdb.DuckDBPyConnection, families: list[Series], now_y: float
) -> pa.Table:
    """Return how fast the build rate of each present pump changes, one row per pump.

    Of the last 12 build rates within two years, less what kit and crank speed add. Fuel
    viscosity is not allowed for: a series with cold tests at one end only leans a little.

    Returns
    -------
    table, in order of ``pump_id``
        ``build_trend_pct_per_year``, ``build_trend_low``, ``build_trend_high`` (95 %) [%/y],
        ``build_trend_p`` (two-sided) [-], null as ``robust_trend`` says;
        ``build_trend_tests``, the number of tests it rests on.
    """
    keys, at_y, ln_build = [], [], []
    for series in (whole.of_present_pumps() for whole in families):
        own = series.readings
        value = own.ln_build - own.ln_kit - own.ln_speed
        used = ~np.isnan(value) & (own.at_y >= now_y - _BUILD_YEARS)
        pump_id = np.repeat(series.pumps["pump_id"].to_numpy(), np.diff(series.offsets))
        keys.append(pump_id[used])
        at_y.append(own.at_y[used])
        ln_build.append(value[used])
    trend = robust_trend(
        connection,
        pa.table(
            {
                "series_key": np.concatenate([np.empty(0, np.int64), *keys]),
                "at": np.concatenate([np.empty(0), *at_y]),
                "value": np.concatenate([np.empty(0), *ln_build]),
            }
        ),
        CONFIDENCE,
        MOST_TESTS,
    )
    return pa.table(
        {
            "pump_id": trend["series_key"],
            "build_trend_pct_per_year": _pct_per_year(trend["slope"]),
            "build_trend_low": _pct_per_year(trend["slope_low"]),
            "build_trend_high": _pct_per_year(trend["slope_high"]),
            "build_trend_p": trend["p_value"],
            "build_trend_tests": trend["n_points"],
        }
    )


def distance_pace(connection: duckdb.DuckDBPyConnection, as_of: datetime) -> pa.Table:
    """Return ``km_per_day`` of the last year for the vehicle of each present ``pump_id``.

    The Theil-Sen slope of the last 12 odometer readings, which one slip of the odometer does
    not upset; null with fewer than 3, and where distance does not grow.
    """
    points = queries.answer(connection, "odometer_points", as_of=as_of, pace_days=_PACE_DAYS)
    trend = robust_trend(connection, points, CONFIDENCE, MOST_TESTS)
    slope = trend["slope"].to_numpy()
    return pa.table(
        {
            "pump_id": trend["series_key"],
            "km_per_day": pa.array(slope, mask=~(slope > 0)),
        }
    )


def _pct_per_year(slope: pa.ChunkedArray) -> Floats:
    return 100 * np.expm1(slope.to_numpy())
