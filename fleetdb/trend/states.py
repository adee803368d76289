"""Stage 8, first part: from probabilities to a state that does not flap.

A pump enters a state at one probability and leaves it only at a lower one, judged anew at
each of its tests and at the date of the verdict. A book-in rests on a test: time alone brings no
more than the watch, on which the next test is asked for, unless the pump is most likely below
its limit by now. A repair that makes wear less likely answers a book-in, to the watch: the pump
stays booked in only above the line at which one is entered, and is again if time takes it there
without a test. A stand-down ends with a test. The lines are policy, not statistics; that of a
book-in is found for each fleet (``book_in_line``).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numba import njit
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, Repairs


class State(IntEnum):
    """States of a verdict, in order of urgency."""

    UNPROVEN = 0
    SOUND = 1
    WATCH = 2
    BOOK_IN = 3
    STAND_DOWN = 4

    @property
    def word(self) -> str:
        return self.name.lower()


@dataclass(frozen=True)
class Policy:
    """Lines at which a verdict changes. Probabilities. [-]"""

    act_reserve: float = 1.12
    """Reserve with too little in hand for a cold morning and a tired battery: act. [-]"""
    notice_days: float = 300.0
    """A pump that will be below its limit within this is to be acted on. [d]"""
    horizon_days: float = 60.0
    """What ``probability_below_limit`` looks ahead. [d]"""
    watch_from: float = 0.30
    watch_until: float = 0.15
    needless_per_missed: float = 3.5
    """So many needless book-ins are as bad as one worn pump that is not booked in, both as the
    engine counts them; needless ones are some half more by the truth (DEVELOPERS.md)."""
    needless_per_100_vehicle_years: float = 1.8
    """Book-ins of pumps not worn that are put up with at most, per 100 vehicle-years of such
    pumps, whatever they find."""
    book_in_until: float = 0.30
    stand_down_from: float = 0.60
    stand_down_until: float = 0.30
    fewest_tests: int = 3
    below_in_a_row: int = 2
    """So many proofs in a row below the limit call for action, whatever the filter believes."""


@njit(cache=True, nogil=True)
def _step(state, worn, below, answered, lines):
    watch_on, watch_off, book_on, book_off, down_on, down_off = lines
    if below >= down_on or (state == 4 and below > down_off):
        return 4
    if worn >= book_on or (state >= 3 and not answered and worn > book_off):
        return 3
    if worn >= watch_on or (state >= 2 and worn > watch_off):
        return 2
    return 1


@njit(cache=True, nogil=True)
def _walk(offsets, worn, below, repaired, worn_now, below_now, repaired_now, lines, states, since):
    for n in range(len(offsets) - 1):
        state = 1
        first = -1
        worn_before = 0.0
        for j in range(offsets[n], offsets[n + 1]):
            answered = repaired[j] > 0 and worn[j] < worn_before
            new = _step(state, worn[j], below[j], answered, lines)
            if new != state:
                first = j
            state, worn_before = new, worn[j]
        answered = repaired_now[n] > 0 and worn_now[n] < worn_before
        new = _step(state, worn_now[n], below_now[n], answered, lines)
        if state == 4:
            new = 4
        elif state == 3:
            new = max(new, 2)
        elif new == 3:
            new = 2
        if new != state:
            first = -2
        states[n] = new
        since[n] = first


def states_of(
    offsets: NDArray[np.int64],
    worn: Floats,
    below: Floats,
    repaired: Repairs,
    worn_now: Floats,
    below_now: Floats,
    repaired_now: Repairs,
    policy: Policy,
    book_in_from: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return each pump's state and the record that brought it about.

    Parameters
    ----------
    offsets
        Pump ``n`` has the records ``offsets[n]`` to ``offsets[n + 1]``.
    worn, below
        At each record: probability that the pump is to be acted on, and of being below the
        limit now.
    repaired
        What was repaired since the record before.
    worn_now, below_now, repaired_now
        The same of each pump at the date of the verdict.
    book_in_from
        Probability of being worn at which a pump is booked in. [-]

    Returns
    -------
    states, since
        Shape (n_pumps,). ``since`` is a record's index; -1: from the start; -2: it came with
        time, after the last test. Too few tests are not looked at here.
    """
    n_pumps = len(offsets) - 1
    states = np.ones(n_pumps, dtype=np.int64)
    since = np.full(n_pumps, -1, dtype=np.int64)
    lines = (
        policy.watch_from,
        policy.watch_until,
        book_in_from,
        policy.book_in_until,
        policy.stand_down_from,
        policy.stand_down_until,
    )
    _walk(offsets, worn, below, repaired, worn_now, below_now, repaired_now, lines, states, since)
    return states, since


def ruled_states(
    states: NDArray[np.int64],
    n_tests: NDArray[np.int64],
    below_limit_tests: NDArray[np.int64],
    below_in_a_row: NDArray[np.int64],
    unanswered: NDArray[np.bool_],
    policy: Policy,
) -> NDArray[np.int64]:
    """Return the states of ``states_of`` with what overrules the filter's probabilities.

    Parameters
    ----------
    n_tests, below_limit_tests
        Tests with a proof or a build rate, and how many are below the limit.
    below_in_a_row
        Proofs in a row, the last included, below the limit at reference conditions.
    unanswered
        Where a failure on the road has no later test: it speaks for itself, tests or none.
    """
    in_a_row = below_in_a_row >= policy.below_in_a_row
    states = np.where(in_a_row, np.maximum(states, State.BOOK_IN), states)
    # Two results are too few to say, unless both are below the limit.
    few = n_tests < policy.fewest_tests
    both_below = (n_tests == 2) & (below_limit_tests == 2)
    states = np.where(
        few & ~both_below, State.UNPROVEN, np.where(both_below, State.STAND_DOWN, states)
    )
    return np.where(unanswered, State.STAND_DOWN, states)
