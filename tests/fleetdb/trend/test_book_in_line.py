from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.trend.beliefs import Repair
from fleetdb.trend.book_in_line import LINES, BookInLine, Walked, book_in_line
from fleetdb.trend.states import Policy, State, states_of

NOW_Y = 24.0
POLICY = Policy(needless_per_missed=1.5, needless_per_100_vehicle_years=2.5)
LEAN_ON_Y = 50.0


def fleet(n_pumps: int, peak: float | np.ndarray, tests_a_year: int = 6, years: int = 2) -> Walked:
    """Return pumps that look sound but for their last test, at ``peak``."""
    n_tests = tests_a_year * years
    p_worn = np.full((n_pumps, n_tests), 0.01)
    p_worn[:, -1] = peak
    at_y = NOW_Y - years + (np.arange(n_tests) + 0.5) / tests_a_year
    return Walked(
        offsets=np.arange(n_pumps + 1) * n_tests,
        at_y=np.tile(at_y, n_pumps),
        repaired=np.zeros(n_pumps * n_tests, np.int64),
        p_worn=p_worn.ravel(),
        failed_y=np.full(n_pumps, np.nan),
        end_y=np.full(n_pumps, NOW_Y),
    )


def mixed(n_sound: int, n_peaks: int, peak: float) -> Walked:
    return fleet(n_sound + n_peaks, np.repeat([0.01, peak], [n_sound, n_peaks]))


def series(*courses: tuple[int, list[float]], failed: bool = False) -> Walked:
    """Return so many pumps of each course of ``p_worn``, tested every two months till now."""
    n_tests = len(courses[0][1])
    p_worn = np.concatenate([np.tile(course, n) for n, course in courses])
    n_pumps = sum(n for n, _ in courses)
    at_y = NOW_Y - 1 / 12 - np.arange(n_tests)[::-1] / 6
    return Walked(
        offsets=np.arange(n_pumps + 1) * n_tests,
        at_y=np.tile(at_y, n_pumps),
        repaired=np.zeros(n_pumps * n_tests, np.int64),
        p_worn=p_worn,
        failed_y=np.full(n_pumps, NOW_Y - 0.01 if failed else np.nan),
        end_y=np.full(n_pumps, math.inf),
    )


SOUND = [0.01] * 10
WAVERS = [0.01] * 4 + [0.55, 0.1, 0.05, 0.02, 0.01, 0.01]
WEARS = [0.01] * 4 + [0.2, 0.4, 0.7, 0.95, 1.0, 1.0]
LINGERS = [0.01] * 4 + [0.2, 0.4, 0.42, 0.42, 0.42, 0.42]


def test_where_those_that_are_worn_go_on_to_be_sure_the_line_is_above_those_that_waver() -> None:
    line = book_in_line([series((300, SOUND), (20, WAVERS), (20, WEARS))], NOW_Y, POLICY)

    assert 0.55 < line.book_in_from < 0.95
    assert line.needless_per_100_vehicle_years < 0.5


def test_where_those_that_fail_are_never_sure_the_line_is_below_them() -> None:
    lingering = [series((300, SOUND)), series((20, LINGERS), failed=True)]

    line = book_in_line(lingering, NOW_Y, POLICY)

    assert line.book_in_from <= 0.42
    # The sound ones' own chance of being worn, and what every fleet leans on.
    years = line.healthy_vehicle_years + LEAN_ON_Y
    left = 300 * 0.01 + LEAN_ON_Y * 2.1 / 100 * line.book_in_from**2
    assert line.missed_per_100_vehicle_years == pytest.approx(100 * left / years)


def test_a_call_within_a_month_of_the_failure_is_a_miss() -> None:
    sure = [0.01] * 9 + [0.95]
    late = replace(series((20, sure)), failed_y=np.full(20, NOW_Y - 1 / 12 + 20 / 365.25))
    soon = replace(late, failed_y=np.full(20, NOW_Y - 1 / 12 + 29.9 / 365.25))
    in_time = replace(late, failed_y=np.full(20, NOW_Y - 1 / 12 + 30.1 / 365.25))

    def missed(own: Walked) -> float:
        line = book_in_line([series((300, SOUND)), own], NOW_Y, POLICY)
        years = line.healthy_vehicle_years + LEAN_ON_Y
        usual = LEAN_ON_Y * 2.1 / 100 * line.book_in_from**2
        return line.missed_per_100_vehicle_years * years / 100 - usual - 300 * 0.01

    assert missed(late) == pytest.approx(missed(soon)) == pytest.approx(20)
    assert missed(in_time) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("per_missed", [0.3, 1.0, 3.0, 10.0])
def test_the_dearer_a_miss_the_lower_the_line(per_missed: float) -> None:
    fleets = [series((300, SOUND), (20, WAVERS), (20, WEARS)), series((5, LINGERS), failed=True)]

    def line_at(price: float) -> float:
        policy = replace(POLICY, needless_per_missed=price)
        return book_in_line(fleets, NOW_Y, policy).book_in_from

    assert line_at(2 * per_missed) <= line_at(per_missed)
    assert line_at(10.0) < line_at(0.3)


def test_no_line_brings_more_needless_book_ins_than_are_put_up_with() -> None:
    wavering = [series((200, SOUND), (100, WAVERS)), series((30, LINGERS), failed=True)]

    dear = replace(POLICY, needless_per_missed=100.0)
    held = book_in_line(wavering, NOW_Y, dear)
    free = book_in_line(wavering, NOW_Y, replace(dear, needless_per_100_vehicle_years=math.inf))
    never = book_in_line(wavering, NOW_Y, replace(dear, needless_per_100_vehicle_years=0.0))

    assert free.book_in_from < 0.42 < 0.55 < held.book_in_from
    assert held.needless_per_100_vehicle_years <= 2.5 < free.needless_per_100_vehicle_years
    assert never.book_in_from == LINES[-1]


def leaning_at(line: BookInLine) -> float:
    """Return the needless book-ins of the vehicle-years that every fleet leans on."""
    return LEAN_ON_Y / 100 * ((1 - line.book_in_from) / 0.35) ** 2


def test_the_expected_rate_is_the_sum_of_the_chances_of_being_wrong() -> None:
    line = book_in_line([mixed(4000, 60, 0.95)], NOW_Y, POLICY)

    # Each first test is two months into the history, and 0.01 of each year is not healthy.
    years = 4060 * (2 - 1 / 12) * 0.99
    leaning = leaning_at(line)
    assert line.healthy_vehicle_years == pytest.approx(years, rel=0.01)
    assert line.needless_per_100_vehicle_years == pytest.approx(
        100 * (60 * 0.05 + leaning) / (line.healthy_vehicle_years + LEAN_ON_Y), rel=1e-9
    )


def test_what_lies_more_than_two_years_back_does_not_count() -> None:
    long_ago = mixed(0, 2000, 0.6)
    long_ago = replace(long_ago, at_y=long_ago.at_y - 2.5, end_y=long_ago.end_y - 2.5)

    assert book_in_line([long_ago], NOW_Y, POLICY).healthy_vehicle_years == 0.0


def test_a_pump_that_wavers_above_the_lower_line_is_booked_in_once() -> None:
    def rate(later: list[float]) -> float:
        pumps = Walked(
            offsets=np.arange(301) * 8,
            at_y=np.tile(NOW_Y - 1 + np.arange(8) / 8, 300),
            repaired=np.zeros(2400, np.int64),
            p_worn=np.tile([0.01, 0.01, 0.01, 0.95, *later], 300),
            failed_y=np.full(300, np.nan),
            end_y=np.full(300, NOW_Y),
        )
        line = book_in_line([pumps], NOW_Y, POLICY)
        leaning = leaning_at(line)
        years = line.healthy_vehicle_years + LEAN_ON_Y
        return line.needless_per_100_vehicle_years * years / 100 - leaning

    wavering, falling_back = [0.45, 0.95, 0.45, 0.95], [0.2, 0.95, 0.2, 0.95]
    assert rate(wavering) == pytest.approx(300 * 0.05)
    assert rate(falling_back) == pytest.approx(3 * 300 * 0.05)


def needless(later: list[float], repaired: int | None = None, failed_y: float = math.nan) -> float:
    """Return the needless book-ins of 100 pumps that cross at 0.95 and go on like this."""
    p_worn = [0.01, 0.01, 0.01, 0.95, *later]
    n = len(p_worn)
    mended = np.zeros(n, np.int64)
    if repaired is not None:
        mended[repaired] = Repair.LEAKS
    pumps = Walked(
        offsets=np.arange(101) * n,
        at_y=np.tile(NOW_Y - 1 + np.arange(n) / 8, 100),
        repaired=np.tile(mended, 100),
        p_worn=np.tile(p_worn, 100),
        failed_y=np.full(100, failed_y),
        end_y=np.full(100, NOW_Y),
    )
    line = book_in_line([pumps], NOW_Y, POLICY)
    leaning = leaning_at(line)
    return (
        line.needless_per_100_vehicle_years * (line.healthy_vehicle_years + LEAN_ON_Y) / 100
        - leaning
    )


def test_two_later_tests_say_better_whether_a_book_in_was_needless() -> None:
    assert needless([]) == pytest.approx(100 * 0.05)
    assert needless([0.1]) == pytest.approx(100 * 0.05)
    assert needless([0.3, 0.1]) == pytest.approx(100 * 0.9)
    assert needless([0.99, 1.0]) == pytest.approx(0, abs=1e-9)


def test_tests_after_a_repair_say_nothing_of_what_was_repaired() -> None:
    assert needless([0.1, 0.05, 0.02], repaired=4) == pytest.approx(100 * 0.05)


def test_a_pump_that_failed_within_the_year_was_not_booked_in_needlessly() -> None:
    crossed = NOW_Y - 1 + 3 / 8

    assert needless([], failed_y=crossed + 0.4) == pytest.approx(0, abs=1e-9)
    assert needless([0.3, 0.1], failed_y=crossed + 0.4) == pytest.approx(0, abs=1e-9)
    assert needless([], failed_y=crossed - 0.1) == pytest.approx(100 * 0.05)
    assert needless([], failed_y=crossed + 1.2) == pytest.approx(100 * 0.05)


def test_nothing_after_the_half_year_began_moves_its_line() -> None:
    before, later = mixed(1600, 400, 0.71), fleet(2000, 0.9)
    both = replace(
        before,
        offsets=before.offsets * 2,
        **{
            name: np.stack([getattr(before, name), getattr(later, name)])
            .reshape(2, 2000, 12)
            .swapaxes(0, 1)
            .ravel()
            for name in ("repaired", "p_worn")
        },
        at_y=np.stack([before.at_y, before.at_y + 2.0]).reshape(2, 2000, 12).swapaxes(0, 1).ravel(),
        failed_y=np.full(2000, NOW_Y + 0.1),
        end_y=np.full(2000, np.inf),
    )

    assert book_in_line([both], NOW_Y, POLICY) == book_in_line([before], NOW_Y, POLICY)


def test_a_repaired_pump_crosses_the_line_anew() -> None:
    assert needless([0.6, 0.95]) == pytest.approx(needless([0.95, 0.95]), abs=1e-9)
    assert needless([0.6], repaired=4) == pytest.approx(needless([0.6]))
    assert needless([0.45, 0.95], repaired=4) == pytest.approx(2 * 100 * 0.05, rel=0.01)


def test_a_first_and_a_second_test_book_nothing_in() -> None:
    early = Walked(
        offsets=np.arange(501) * 2,
        at_y=np.tile([NOW_Y - 0.5, NOW_Y - 0.2], 500),
        repaired=np.zeros(1000, np.int64),
        p_worn=np.full(1000, 0.9),
        failed_y=np.full(500, np.nan),
        end_y=np.full(500, NOW_Y),
    )

    unproven = book_in_line([early], NOW_Y, POLICY)
    none = book_in_line([], NOW_Y, POLICY)

    assert unproven.book_in_from <= none.book_in_from


def test_a_fleet_without_records_leans_on_what_generated_fleets_showed() -> None:
    line = book_in_line([], NOW_Y, POLICY)

    assert line.healthy_vehicle_years == 0.0
    assert 0.6 < line.book_in_from < 0.8


def test_a_line_survives_being_published() -> None:
    line = book_in_line([mixed(900, 100, 0.66)], NOW_Y, POLICY)

    assert BookInLine.of(line.table()) == line


# Around the lines at which a book-in begins (0.34 here) and ends (0.30), and equals.
TESTS = st.tuples(
    st.sampled_from([0.05, 0.29, 0.31, 0.33, 0.35, 0.6, 0.95]),
    st.sampled_from([0, int(Repair.SUPPLY), int(Repair.INJECTORS)]),
)


def state_after(p_worn: list[float], repaired: list[int], line: float) -> State:
    """Return the state that ``states`` has after the last of these tests, at that very moment."""
    nothing = np.zeros(len(p_worn))
    states, _ = states_of(
        np.array([0, len(p_worn)]),
        np.array(p_worn),
        nothing,
        np.array(repaired),
        np.array(p_worn[-1:]),
        nothing[:1],
        np.zeros(1, np.int64),
        POLICY,
        line,
    )
    return State(int(states[0]))


@given(st.lists(TESTS, min_size=1, max_size=8))
def test_a_book_in_is_counted_where_a_verdict_would_say_it(later: list[tuple[float, int]]) -> None:
    # So far apart that no two later tests within the year judge one in hindsight.
    apart_y = 0.6
    p_worn = [0.01, 0.01, *(p for p, _ in later)]
    repaired = [0, 0, *(what for _, what in later)]
    at_y = NOW_Y - apart_y * np.arange(len(p_worn))[::-1]
    line = book_in_line(
        [
            Walked(
                offsets=np.array([0, len(p_worn)]),
                at_y=at_y,
                repaired=np.array(repaired),
                p_worn=np.array(p_worn),
                failed_y=np.full(1, math.nan),
                end_y=np.full(1, math.inf),
            )
        ],
        NOW_Y,
        replace(POLICY, needless_per_100_vehicle_years=math.inf),
    )
    counted = line.needless_per_100_vehicle_years * (
        line.healthy_vehicle_years + LEAN_ON_Y
    ) / 100 - leaning_at(line)

    said = [
        state_after(p_worn[: j + 1], repaired[: j + 1], line.book_in_from)
        for j in range(len(p_worn))
    ]
    begun = [
        1.0 - p_worn[j]
        for j in range(1, len(p_worn))
        if said[j] is State.BOOK_IN is not said[j - 1] and at_y[j] >= NOW_Y - 2.0
    ]
    assert counted == pytest.approx(sum(begun), abs=1e-6)
