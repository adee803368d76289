"""Trends without a model: Theil-Sen slope and Mann-Kendall test, for many series at once."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError
from fleetdb.trend.beliefs import Floats

FEWEST_POINTS = 3
# Series of equal length are worked on together, so many pairs of points at a time: what is held
# in memory stays within some 100 MB, and mostly within the processor's cache.
_PAIRS_AT_ONCE = 100_000

Columns = dict[str, NDArray[Any]]


def robust_trend(points: pa.Table, confidence: float = 0.95, most_points: int = 12) -> pa.Table:
    """Return the slope of every series, its limits, and how surely it is not level.

    One odd reading in a series moves its slope little (breakdown point about 29 %).

    Parameters
    ----------
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
    >>> robust_trend(points)["slope"].to_pylist()
    [4.0]
    """
    if not 0 < confidence < 1:
        raise InvalidInputError.at("/confidence", f"{confidence} is not between 0 and 1")
    if most_points < FEWEST_POINTS:
        raise InvalidInputError.at("/most_points", f"{most_points} is below {FEWEST_POINTS}")
    at, value, keys, offsets = _last_points(points, most_points)
    n_points = np.diff(offsets)
    trend = {name: np.full(len(keys), np.nan) for name in _FIGURES}
    for n in np.unique(n_points[n_points >= FEWEST_POINTS]):
        alike = np.flatnonzero(n_points == n)
        n_blocks = -(-len(alike) * int(n * n) // _PAIRS_AT_ONCE)
        for block in np.array_split(alike, n_blocks):
            rows = offsets[block][:, None] + np.arange(n)
            for name, figures in _trends(at[rows], value[rows], confidence).items():
                trend[name][block] = figures
    columns = {name: pa.array(trend[name], from_pandas=True) for name in _FIGURES}
    columns["mann_kendall_s"] = columns["mann_kendall_s"].cast(pa.int64())
    # Of erfc, which keeps its digits far out, where 1 - erf would not.
    p_value = [
        None if z is None else math.erfc(abs(z) / math.sqrt(2)) for z in columns["z"].to_pylist()
    ]
    return pa.table(
        {
            "series_key": keys,
            "n_points": n_points,
            **columns,
            "p_value": pa.array(p_value, pa.float64()),
        }
    )


_FIGURES = (
    "slope",
    "slope_low",
    "slope_high",
    "intercept",
    "mann_kendall_s",
    "var_s",
    "z",
)


def _last_points(
    points: pa.Table, most_points: int
) -> tuple[Floats, Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Return time and value of the points that count, by series and time, keys and offsets."""
    key, at, value = (points[name].to_numpy() for name in ("series_key", "at", "value"))
    counts = np.isfinite(at) & np.isfinite(value)
    key, at, value = key[counts], at[counts], value[counts]
    order = np.lexsort([value, at, key])
    key, at, value = key[order], at[order], value[order]
    keys, first, n = np.unique(key, return_index=True, return_counts=True)
    from_the_end = np.repeat(first + n, n) - np.arange(len(key))
    last = from_the_end <= most_points
    offsets = np.concatenate([[0], np.cumsum(np.minimum(n, most_points))])
    return at[last], value[last], keys, offsets


def _trends(at: Floats, value: Floats, confidence: float) -> Columns:
    """Return the figures of series of equal length: ``at`` and ``value`` (n_series, n_points).

    NaN stands for what a series has not.
    """
    n = at.shape[1]
    early, late = np.triu_indices(n, 1)
    time = at[:, late] - at[:, early]
    # Pairs at equal times have no slope and no sign, and are sorted behind the others.
    slopes = np.full(time.shape, np.nan)
    np.divide(value[:, late] - value[:, early], time, out=slopes, where=time > 0)
    slopes.sort(axis=1)
    n_slopes = np.count_nonzero(time > 0, axis=1)
    enough = np.count_nonzero(np.diff(at, axis=1), axis=1) >= FEWEST_POINTS - 1
    mann_kendall = np.where(enough, np.nansum(np.sign(slopes), axis=1), np.nan)
    var_s = np.where(enough, _variance(_times_met(at), _times_met(value)), np.nan)
    slope = np.where(enough, _nth(slopes, n_slopes // 2), np.nan)
    slope = (slope + _nth(slopes, (n_slopes - 1) // 2)) / 2
    quantile = NormalDist().inv_cdf((1 + confidence) / 2)
    rank = (n_slopes - quantile * np.sqrt(var_s)) / 2
    # Below 1 there is no such slope; above, the other limit lies as far from the end.
    rank = np.where(rank >= 1, rank, np.nan)
    place = np.nan_to_num(np.floor(rank), nan=1).astype(np.int64)
    share = rank - place

    def limit(inner: NDArray[np.int64], outer: NDArray[np.int64]) -> Floats:
        return (1 - share) * _nth(slopes, outer) + share * _nth(slopes, inner)

    return {
        "slope": slope,
        "slope_low": limit(place, place - 1),
        "slope_high": limit(n_slopes - place - 1, n_slopes - place),
        "intercept": np.median(value, axis=1) - slope * np.median(at, axis=1),
        "mann_kendall_s": mann_kendall,
        "var_s": var_s,
        "z": np.divide(
            mann_kendall - np.sign(mann_kendall),
            np.sqrt(var_s),
            out=np.where(enough, 0.0, np.nan),
            where=mann_kendall != 0,
        ),
    }


def _times_met(figures: Floats) -> NDArray[np.int64]:
    """Return how often each figure is met in its row."""
    return np.count_nonzero(figures[:, :, None] == figures[:, None, :], axis=2)


def _variance(at_met: NDArray[np.int64], value_met: NDArray[np.int64]) -> Floats:
    """Return Kendall's variance of S. A group of t ties is counted t times, for 1/t each."""
    n = at_met.shape[1]
    (at_5, at_2, at_1), (value_5, value_2, value_1) = (
        (
            ((t - 1) * (2 * t + 5)).sum(axis=1),
            ((t - 1) * (t - 2)).sum(axis=1),
            (t - 1).sum(axis=1),
        )
        for t in (at_met, value_met)
    )
    return (
        (n * (n - 1) * (2 * n + 5) - value_5 - at_5) / 18
        + value_2 * at_2 / (9 * n * (n - 1) * (n - 2))
        + value_1 * at_1 / (2 * n * (n - 1))
    )


def _nth(sorted_rows: Floats, place: NDArray[np.int64]) -> Floats:
    """Return each row's figure at its place, counted from 0."""
    within = np.clip(place, 0, sorted_rows.shape[1] - 1)
    return np.take_along_axis(sorted_rows, within[:, None], axis=1)[:, 0]
