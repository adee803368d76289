from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trend.beliefs import Repair
from fleetdb.trend.book_in_line import LINES
from fleetdb.trend.states import Policy, State, states_of

POLICY = Policy(
    watch_from=0.2,
    watch_until=0.1,
    book_in_until=0.3,
    stand_down_from=0.7,
    stand_down_until=0.4,
)


BOOK_IN_FROM = 0.6


def walk(
    worn: list[float], below: list[float] | None = None, repaired: list[int] | None = None
) -> tuple[State, int]:
    """Return the state and what brought it; the last value is that of the date itself."""
    below = below or [0.0] * len(worn)
    repaired = repaired or [0] * len(worn)
    states, since = states_of(
        np.array([0, len(worn) - 1]),
        np.array(worn[:-1]),
        np.array(below[:-1]),
        np.array(repaired[:-1]),
        np.array(worn[-1:]),
        np.array(below[-1:]),
        np.array(repaired[-1:]),
        POLICY,
        BOOK_IN_FROM,
    )
    return State(int(states[0])), int(since[0])


@pytest.mark.parametrize(
    ("worn", "state"),
    [
        (0.0, State.SOUND),
        (0.199, State.SOUND),
        (0.2, State.WATCH),
        (0.599, State.WATCH),
        (0.6, State.BOOK_IN),
        (1.0, State.BOOK_IN),
    ],
)
def test_a_state_is_entered_at_its_line(worn: float, state: State) -> None:
    assert walk([0.0, worn, worn])[0] is state


@pytest.mark.parametrize(
    ("worn", "state"),
    [(0.31, State.BOOK_IN), (0.3, State.WATCH), (0.11, State.WATCH), (0.1, State.SOUND)],
)
def test_a_booking_is_left_only_at_its_lower_line(worn: float, state: State) -> None:
    assert walk([0.6, worn, worn])[0] is state


def test_a_pump_stands_down_for_being_below_the_limit_whatever_the_outlook() -> None:
    assert walk([0.0, 0.0], [0.7, 0.7])[0] is State.STAND_DOWN
    assert walk([1.0, 1.0], [0.7, 0.41])[0] is State.STAND_DOWN
    assert walk([0.5, 0.5, 0.5], [0.7, 0.4, 0.4])[0] is State.BOOK_IN
    assert walk([0.0, 0.0, 0.0], [0.7, 0.4, 0.4])[0] is State.SOUND


def test_a_probability_that_wavers_between_the_lines_does_not_flap() -> None:
    wavering = [0.59, 0.31] * 10

    assert walk([0.61, *wavering]) == (State.BOOK_IN, 0)
    assert walk([0.05, *wavering])[0] is State.WATCH


def test_since_is_the_test_at_which_the_state_last_changed() -> None:
    assert walk([0.0, 0.3, 0.3, 0.7, 0.5, 0.4]) == (State.BOOK_IN, 3)
    assert walk([0.0, 0.0, 0.0]) == (State.SOUND, -1)


def test_a_change_after_the_last_test_came_with_time() -> None:
    assert walk([0.0, 0.1, 0.25]) == (State.WATCH, -2)


def test_time_alone_books_nothing_in() -> None:
    assert walk([0.5, 0.9]) == (State.WATCH, 0)
    assert walk([0.05, 0.9]) == (State.WATCH, -2)
    # A pump that is most likely below its limit by now is not to be sent out, tested or not.
    assert walk([0.5, 0.9], [0.0, 0.9]) == (State.STAND_DOWN, -2)
    assert walk([0.7, 0.9], [0.0, 0.9]) == (State.STAND_DOWN, -2)


def test_a_repair_that_helps_answers_a_book_in_to_the_watch() -> None:
    assert walk([0.7, 0.5, 0.5], repaired=[0, 0, 0])[0] is State.BOOK_IN
    assert walk([0.7, 0.5, 0.5], repaired=[0, Repair.REGULATOR, 0]) == (State.WATCH, 1)
    assert walk([0.7, 0.5], repaired=[0, Repair.SUPPLY]) == (State.WATCH, -2)
    assert walk([0.7, 0.65], repaired=[0, Repair.LEAKS])[0] is State.BOOK_IN
    assert walk([0.7, 0.05], repaired=[0, Repair.LEAKS])[0] is State.WATCH
    # A filter that changed nothing answers nothing.
    assert walk([0.7, 0.5, 0.51], repaired=[0, 0, Repair.SUPPLY])[0] is State.BOOK_IN
    assert walk([0.7, 0.5, 0.51, 0.5], repaired=[0, 0, Repair.SUPPLY, 0])[0] is State.BOOK_IN


def test_only_a_test_ends_a_stand_down() -> None:
    assert walk([0.9, 0.2], [0.9, 0.1], [0, Repair.LEAKS])[0] is State.STAND_DOWN
    assert walk([0.9, 0.2, 0.2], [0.9, 0.1, 0.1], [0, Repair.LEAKS, 0]) == (State.WATCH, 1)


def test_pumps_do_not_mix() -> None:
    offsets = np.array([0, 2, 2, 3])
    worn, below = np.array([0.7, 0.7, 0.0]), np.zeros(3)

    states, since = states_of(
        offsets,
        worn,
        below,
        np.zeros(3, np.int64),
        np.array([0.5, 0.0, 0.05]),
        np.zeros(3),
        np.zeros(3, np.int64),
        Policy(),
        BOOK_IN_FROM,
    )

    assert states.tolist() == [State.BOOK_IN, State.SOUND, State.SOUND]
    assert since.tolist() == [0, -1, -1]


def test_no_pumps_have_no_states() -> None:
    none, no_parts = np.empty(0), np.empty(0, np.int64)

    states, since = states_of(
        np.array([0]), none, none, no_parts, none, none, no_parts, POLICY, BOOK_IN_FROM
    )

    assert len(states) == len(since) == 0


def test_the_policy_leaves_every_state_at_a_lower_line_than_it_is_entered() -> None:
    policy = Policy()

    assert policy.watch_until < policy.watch_from <= LINES[0]
    assert policy.book_in_until < LINES[0]
    assert policy.stand_down_until < policy.stand_down_from


def test_words_are_the_contracts() -> None:
    assert [s.word for s in State] == ["unproven", "sound", "watch", "book_in", "stand_down"]
