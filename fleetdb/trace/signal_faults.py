"""Faults of the recording that leave traces no pressure could: saturation, frozen, dropouts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fleetdb.errors import Problem
from fleetdb.trace.robust import mad_sd

Floats = NDArray[np.float64]

# A noisy signal that stays on one value for so long is not being read.
_FLAT_SAMPLES = 20
_FLAT_S = 0.05
# Share of samples at which the curvature changes its sign: 0.73 for pure noise on any slope,
# hardly any for a smooth curve, which may well stay on one value.
_NOISY_TURNS = 0.4
# Noise is looked at where pressure is of the order of the flat stretch's: it may be in
# proportion to pressure. Of less than a step of the sensor it may well hide within one.
_NEAR_SHARE = 0.3
_FEWEST_STEPS = 1.0
# Values that differ by rounding alone are one; the smallest step is taken from so many.
_ROUNDING = 1e-7
_SMALL_STEPS = 0.05
# Below this a sensor may rest on its lowest value.
_LOWEST_BAR = 50.0
# A signal that falls by most of its level from one sample to the next and comes back the
# same way was lost. Pumps build at most some thousand bar/s, so that no rail comes back so.
_LOST_SHARE = 0.7
_LONGEST_DROPOUT_S = 0.5
_FASTEST_BUILD_BAR_PER_S = 5_000.0


def signal_faults(time_s: Floats, rail_bar: Floats) -> list[Problem]:
    """Return the first fault of a recording, pointing at its first sample; empty if none.

    Parameters
    ----------
    time_s, rail_bar : shape (n_samples,)
        Finite; times increase.
    """
    problem = _flat_run(time_s, rail_bar) or _dropout(time_s, rail_bar)
    return [] if problem is None else [problem]


def _flat_run(time_s: Floats, rail_bar: Floats) -> Problem | None:
    change = np.flatnonzero(np.diff(rail_bar) != 0.0)
    starts = np.concatenate([[0], change + 1])
    ends = np.concatenate([change, [len(rail_bar) - 1]])
    n_each = ends - starts + 1
    flat = (
        (n_each >= _FLAT_SAMPLES)
        & (time_s[ends] - time_s[starts] >= _FLAT_S)
        & (rail_bar[starts] > _LOWEST_BAR)
    )
    if not flat.any():
        return None
    longest_run = int(np.argmax(np.where(flat, n_each, 0)))
    stuck = n_each[longest_run] == len(rail_bar)
    outside = np.repeat(~flat, n_each) & (rail_bar > _NEAR_SHARE * rail_bar[starts[longest_run]])
    if not stuck and not _is_noisy(rail_bar, outside):
        return None
    start, end = int(starts[longest_run]), int(ends[longest_run])
    length_s = time_s[end] - time_s[start]
    value = rail_bar[start]
    if value >= rail_bar.max() and not stuck:
        said = "the sensor was saturated; use one of a higher range"
    else:
        said = "the signal was frozen; check the connection and record it again"
    return Problem(
        f"/rail_bar/{start}",
        f"stays on exactly {value:.6g} bar for {length_s:.3g} s: {said}",
    )


def _is_noisy(rail_bar: Floats, counted: NDArray[np.bool_]) -> bool:
    """Return whether the signal scatters, from sample to sample, by more than its own steps.

    False where too few samples count to know.
    """
    inside = counted[:-3] & counted[1:-2] & counted[2:-1] & counted[3:]
    if inside.sum() < _FLAT_SAMPLES:
        return False
    bends = np.diff(rail_bar, n=2)
    turns = (bends[1:] * bends[:-1] < 0)[inside]
    if turns.mean() < _NOISY_TURNS:
        return False
    scatter_bar = mad_sd(bends[:-1][inside]) / float(np.sqrt(6.0))
    return scatter_bar > _FEWEST_STEPS * resolution_bar(rail_bar)


def resolution_bar(rail_bar: Floats) -> float:
    """Return about the smallest step between values that occur, 0 if there is but one. [bar]

    Of a coarse sensor that is its step; of a fine one it is next to nothing.
    """
    apart = np.diff(np.unique(rail_bar))
    apart = apart[apart > _ROUNDING * max(float(np.ptp(rail_bar)), 1.0)]
    return float(np.quantile(apart, _SMALL_STEPS)) if len(apart) else 0.0


def _dropout(time_s: Floats, rail_bar: Floats) -> Problem | None:
    steps_bar, steps_s = np.diff(rail_bar), np.diff(time_s)
    falls = np.flatnonzero(steps_bar < -_LOST_SHARE * np.maximum(rail_bar[:-1], _LOWEST_BAR))
    back = (steps_bar > _LOST_SHARE * np.maximum(rail_bar[1:], _LOWEST_BAR)) & (
        steps_bar > _FASTEST_BUILD_BAR_PER_S * steps_s
    )
    rises = np.flatnonzero(back)
    if len(falls) == 0 or len(rises) == 0:
        return None
    after = np.searchsorted(rises, falls)
    has = after < len(rises)
    falls, rises = falls[has], rises[after[has]]
    lost = time_s[rises + 1] - time_s[falls] <= _LONGEST_DROPOUT_S
    if not lost.any():
        return None
    first, last = int(falls[lost][0]) + 1, int(rises[lost][0])
    return Problem(
        f"/rail_bar/{first}",
        f"falls from {rail_bar[first - 1]:.5g} to {rail_bar[first]:.5g} bar and is back at "
        f"{rail_bar[last + 1]:.5g} within {time_s[last + 1] - time_s[first - 1]:.3g} s: the "
        f"signal dropped out ({int(lost.sum())} times); check the connection, record it again",
    )
