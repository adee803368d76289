"""Build rate against reserve for the pressure windows workshops time, as tables.

The mean rate over a window, as a share of the rate at zero pressure, falls as the reserve
does (``fleetdb.rail.mean_build_share``): that is how the build rate tells of wear before
the ratio does. The filter needs its logarithm at every grid node of every test, so it is
tabulated once per window.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.rail import mean_build_share
from fleetdb.trend.beliefs import Floats

LN_REACH_STEP = 0.02
LN_REACH_LOW, LN_REACH_HIGH = -2.5, 3.0
LN_REACH = np.arange(LN_REACH_LOW, LN_REACH_HIGH + 2 * LN_REACH_STEP, LN_REACH_STEP)

_ROUNDED_TO = 0.01
_FURTHEST = 1_000_000  # more hundredths of a target than any window ends at
# Below this many times the window's end the exact mean plunges to zero; there its logarithm
# is continued by a straight line, steep but finite.
_EDGE = 1.03
_SLOPE_BEYOND = 3.0


def number_windows(from_share: Floats, to_share: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return each test's window number, and the ln share of every window at ``LN_REACH``.

    Parameters
    ----------
    from_share, to_share
        The window's ends over the target, shape (n_tests,); rounded to 0.01. [-]

    Returns
    -------
    numbers : shape (n_tests,)
    ln_shares : shape (n_windows, n_reaches)
    """
    ends = np.round(np.column_stack([from_share, to_share]) / _ROUNDED_TO).astype(np.int64)
    ends[:, 1] = np.maximum(ends[:, 1], ends[:, 0] + 1)
    # Hashed, not sorted: a fleet has millions of tests and a handful of windows.
    keys = pa.array(ends[:, 0] * _FURTHEST + ends[:, 1]).dictionary_encode()
    low, high = np.divmod(keys.dictionary.to_numpy(), _FURTHEST)
    low, high = _ROUNDED_TO * low[:, None], _ROUNDED_TO * high[:, None]
    ln_edge = np.log(_EDGE * high)
    ln_reach = np.maximum(LN_REACH[None, :], ln_edge)
    ln_shares = np.log(mean_build_share(np.exp(ln_reach), low, high))
    ln_shares -= _SLOPE_BEYOND * (ln_reach - LN_REACH[None, :])
    return keys.indices.to_numpy().astype(np.int64), ln_shares
