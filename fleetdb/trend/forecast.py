"""Stage 6: when the reserve will be below the limit, from the filter's look ahead."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats

LIMIT_DATE_SHARES = (0.1, 0.5, 0.9)
UNSEEN_SHARE = 0.02
"""Of planned tests, how many may find a pump that is below its limit already. [-]"""


def days_until(share: float, p_below_now: Floats, p_below_at: Floats, days: Floats) -> Floats:
    """Return the days until the probability of being below the limit reaches ``share``.

    Parameters
    ----------
    p_below_now
        Probability at the start, shape (n_pumps,).
    p_below_at
        Probability at each of ``days``, shape (n_pumps, n_times).
    days
        Days from the start, rising, shape (n_times,) or (n_pumps, n_times).

    Returns
    -------
    array, shape (n_pumps,)
        0 where it is reached already, NaN where it is not within the last of ``days``;
        between two times the probability is taken to rise in a straight line.
    """
    # A pump that recovers after having been below has still been below.
    p = np.maximum.accumulate(np.column_stack([p_below_now, p_below_at]), axis=1)
    at = np.column_stack([np.zeros(len(p)), np.broadcast_to(days, p_below_at.shape)])
    reached = p >= share
    first = np.argmax(reached, axis=1)
    row = np.arange(len(p))
    before = np.maximum(first - 1, 0)
    rise = p[row, first] - p[row, before]
    part = np.where(rise > 0, (share - p[row, before]) / np.where(rise > 0, rise, 1.0), 0.0)
    when = at[row, before] + part * (at[row, first] - at[row, before])
    return np.where(reached.any(axis=1), np.where(first == 0, 0.0, when), np.nan)


def dates_after(as_of: datetime, days: Floats) -> NDArray[np.datetime64]:
    """Return the dates ``days`` after ``as_of``, NaT where ``days`` is NaN."""
    known = ~np.isnan(days)
    dates = np.full(len(days), np.datetime64("NaT"), dtype="datetime64[D]")
    start = np.datetime64(as_of.date(), "D")
    dates[known] = start + np.round(days[known]).astype("timedelta64[D]")
    return dates
