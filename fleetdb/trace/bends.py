"""Where a level stretch bends into a line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Two parameters and the place of the bend, tried everywhere: twice the usual penalty.
_PENALTY = 4.0


def level_then_line(values: NDArray[np.float64], fewest_on_line: int) -> tuple[int, float]:
    """Return how many values at the start are level, and the slope of the line that follows.

    A constant before and a line after, fitted by least squares at every place to part them
    (by cumulative sums, so that all places cost no more than one); the best is taken if the
    Bayesian information criterion finds it well worth its parameters, else 0: all is one line.

    Parameters
    ----------
    values : shape (n,)
        Evenly spaced; n is at least ``fewest_on_line``.
    fewest_on_line : int
        The line has at least so many values, 3 or more.

    References
    ----------
    G. Schwarz, Ann. Stat. 6, 461-464, 1978 (the criterion).
    """
    n = len(values)
    y = values - values.mean()
    x = np.arange(n, dtype=float) - 0.5 * (n - 1)
    sum_x, sum_y, sum_xx, sum_xy, sum_yy = (
        np.concatenate([[0.0], np.cumsum(v)]) for v in (x, y, x * x, x * y, y * y)
    )
    before = np.arange(0, n - fewest_on_line + 1)
    after = n - before
    x_sum, y_sum = sum_x[-1] - sum_x[before], sum_y[-1] - sum_y[before]
    xx = sum_xx[-1] - sum_xx[before] - x_sum * x_sum / after
    xy = sum_xy[-1] - sum_xy[before] - x_sum * y_sum / after
    yy = sum_yy[-1] - sum_yy[before] - y_sum * y_sum / after
    off_line = np.maximum(yy - xy * xy / xx, 0.0)
    off_level = np.maximum(sum_yy[before] - sum_y[before] ** 2 / np.maximum(before, 1), 0.0)
    total = off_line + off_level
    best = int(np.argmin(total))
    # Rounding leaves some of the whole even where the fit is exact.
    floor = 1e-12 * sum_yy[-1] + 1e-300
    gain = n * np.log((total[0] + floor) / (total[best] + floor))
    if gain <= _PENALTY * np.log(n):
        best = 0
    return best, float(xy[best] / xx[best])
