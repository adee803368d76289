"""Build rate against reserve for the pressure windows workshops time, as tables.

The mean rate over a window, as a share of the rate at zero pressure, falls as the reserve
does (``fleetdb.rail.mean_build_share``): that is how the build rate tells of wear before
the ratio does. The filter needs its logarithm at every grid node of every test, so it is
tabulated once per window.

Workshops time different windows, and a rate over a higher one is slower, since more leaks away
meanwhile, and faster, since pressed fuel is stiffer (``FamilyConstants.stiffening``). So that
rates over all windows tell of one pump, a new pump's build rate is one over ``REFERENCE``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.rail import mean_build_share
from fleetdb.trend.beliefs import Floats

LN_REACH_STEP = 0.02
LN_REACH_LOW, LN_REACH_HIGH = -2.5, 3.0
LN_REACH = np.arange(LN_REACH_LOW, LN_REACH_HIGH + 2 * LN_REACH_STEP, LN_REACH_STEP)

REFERENCE = (0.2, 0.7)
"""The window a family's build rate when new speaks of, over the target. [-]"""

WORKSHOP_WINDOWS = pa.schema(
    [
        ("pump_family", pa.string()),
        ("workshop", pa.string()),
        ("from_share", pa.float64()),
        ("to_share", pa.float64()),
    ]
)
"""Between which shares of the target a workshop times the build rate of a family."""
NO_WINDOWS = WORKSHOP_WINDOWS.empty_table()

_ROUNDED_TO = 0.01
_FURTHEST = 1_000_000  # more hundredths of a target than any window ends at
# Below this many times the window's end the exact mean plunges to zero; there its logarithm
# is continued by a straight line, steep but finite.
_EDGE = 1.03
_SLOPE_BEYOND = 3.0


class Windows(NamedTuple):
    """What the filter must know of each window; number 0 is ``REFERENCE``."""

    ln_shares: Floats
    """ln of the mean build rate at ``LN_REACH`` over that at no pressure, in fuel that is equally
    stiff throughout; shape (n_windows, n_reaches)."""
    middle: Floats
    """The window's middle over the target, shape (n_windows,). [-]"""
    workshop: NDArray[np.int64]
    """Number of the workshop that times over it, -1 where none is known; shape (n_windows,)."""
    ln_habit: Floats
    """How much higher that workshop's rates come out than others' (``timing_habits``), likewise."""


def ln_share_at(windows: Windows, window: NDArray[np.int64], ln_reach: Floats) -> Floats:
    """Return ln of each test's mean build rate at its reach over that at no pressure.

    Parameters
    ----------
    window
        Number of each test's window, shape (n_tests,).
    ln_reach
        Shape (n_tests,); taken to lie between ``LN_REACH_LOW`` and ``LN_REACH_HIGH``. NaN gives
        NaN.
    """
    place = (np.clip(ln_reach, LN_REACH_LOW, LN_REACH_HIGH) - LN_REACH_LOW) / LN_REACH_STEP
    low = np.nan_to_num(place).astype(np.int64)
    part = place - low
    shares = windows.ln_shares
    return shares[window, low] * (1.0 - part) + shares[window, low + 1] * part


def number_windows(
    from_share: Floats, to_share: Floats, workshop: NDArray[np.int64] | None = None
) -> tuple[NDArray[np.int64], Windows]:
    """Return each test's window number, and the windows; equal ones of two workshops are two.

    Parameters
    ----------
    from_share, to_share
        The window's ends over the target, shape (n_tests,); rounded to 0.01. [-]
    workshop
        Number of each test's workshop, -1 where none is known, as for all where left out.
    """
    low, high = (
        np.concatenate([[end], ends])
        for end, ends in zip(REFERENCE, (from_share, to_share), strict=True)
    )
    ends = np.round(np.column_stack([low, high]) / _ROUNDED_TO).astype(np.int64)
    ends[:, 1] = np.maximum(ends[:, 1], ends[:, 0] + 1)
    whose = np.zeros(len(ends), dtype=np.int64)
    if workshop is not None:
        whose[1:] = workshop + 1
    n_whose = int(whose.max()) + 1
    # Hashed, not sorted: a fleet has millions of tests and a handful of windows. What comes
    # first has number 0.
    keys = pa.array((ends[:, 0] * _FURTHEST + ends[:, 1]) * n_whose + whose).dictionary_encode()
    window, whose = np.divmod(keys.dictionary.to_numpy(), n_whose)
    low, high = np.divmod(window, _FURTHEST)
    low, high = _ROUNDED_TO * low[:, None], _ROUNDED_TO * high[:, None]
    ln_edge = np.log(_EDGE * high)
    ln_reach = np.maximum(LN_REACH[None, :], ln_edge)
    ln_shares = np.log(mean_build_share(np.exp(ln_reach), low, high))
    ln_shares -= _SLOPE_BEYOND * (ln_reach - LN_REACH[None, :])
    numbers = keys.indices.to_numpy()[1:].astype(np.int64)
    middle = ((low + high) / 2.0)[:, 0]
    return numbers, Windows(ln_shares, middle, whose - 1, np.zeros(len(middle)))
