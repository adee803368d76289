"""Trends without a model: Theil-Sen slope and Mann-Kendall test, for many series at once."""

from __future__ import annotations

import math
from statistics import NormalDist

import duckdb
import pyarrow as pa

from fleetdb.errors import InvalidInputError
from fleetdb.trend import queries

FEWEST_POINTS = 3


def robust_trend(
    connection: duckdb.DuckDBPyConnection,
    points: pa.Table,
    confidence: float = 0.95,
    most_points: int = 12,
) -> pa.Table:
    """Return the slope of every series, its limits, and how surely it is not level.

    One odd reading in a series moves its slope little (breakdown point about 29 %).

    Parameters
    ----------
    connection
        DuckDB; the name ``trend_points`` is used in it while the query runs.
    points : table with columns series_key (int64), at, value (float64)
        In any order and unit. Points whose ``at`` or ``value`` is null, NaN or infinite do
        not count.
    confidence : float
        Two-sided level of the limits, between 0 and 1. [-]
    most_points : int
        Only the last so many points of each series are used: cost grows with its square.

    Returns
    -------
    table, one row per series with a point that counts, in order of ``series_key``
        ``n_points``; ``slope``, ``slope_low``, ``slope_high`` [unit of value / unit of at];
        ``intercept`` [unit of value], the median value less slope times the median time;
        ``mann_kendall_s`` and its variance ``var_s`` corrected for ties [-]; ``z``,
        continuity-corrected [-]; ``p_value``, two-sided, of a level series [-]. All but
        ``n_points`` are null with fewer than 3 distinct times, the limits also where so few
        pairs cannot give one at that confidence.

    Raises
    ------
    InvalidInputError
        ``confidence`` is not between 0 and 1, or ``most_points`` is below 3.

    Notes
    -----
    The slope is Sen's [1]_; its limits are Gilbert's [2]_, with interpolated ranks as in the
    examples of [3]_; the variance with ties in time and value is Kendall's [4]_. Limits and
    p-value rest on S being nearly normal: rough below 10 points. Points are taken as
    independent.

    References
    ----------
    .. [1] P. K. Sen, J. Am. Stat. Assoc. 63, 1379-1389, 1968.
    .. [2] R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring, 1987.
    .. [3] USEPA, Unified Guidance, EPA 530/R-09-007, 2009, chapter 17.
    .. [4] M. G. Kendall, Rank Correlation Methods, 4th edition, 1970.

    Examples
    --------
    Sen's own data.

    >>> points = pa.table({
    ...     "series_key": [0] * 7,
    ...     "at": [1.0, 2, 3, 4, 10, 12, 18],
    ...     "value": [9.0, 15, 19, 20, 45, 55, 78],
    ... })
    >>> robust_trend(duckdb.connect(), points)["slope"].to_pylist()
    [4.0]
    """
    if not 0 < confidence < 1:
        raise InvalidInputError.at("/confidence", f"{confidence} is not between 0 and 1")
    if most_points < FEWEST_POINTS:
        raise InvalidInputError.at("/most_points", f"{most_points} is below {FEWEST_POINTS}")
    connection.register("trend_points", points)
    try:
        trend = queries.answer(
            connection,
            "robust_trend",
            most_points=most_points,
            normal_quantile=NormalDist().inv_cdf((1 + confidence) / 2),
        )
    finally:
        connection.unregister("trend_points")
    # DuckDB has no error function; erfc keeps its digits far out, where 1 - erf would not.
    p_value = [
        None if z is None else math.erfc(abs(z) / math.sqrt(2)) for z in trend["z"].to_pylist()
    ]
    return trend.append_column("p_value", pa.array(p_value, pa.float64()))
