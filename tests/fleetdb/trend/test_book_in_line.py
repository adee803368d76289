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
POLICY = Policy(needless_per_100_vehicle_years=1.0)


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


def test_a_fleet_easy_to_tell_gets_the_lowest_line() -> None:
    assert book_in_line([fleet(5000, 0.01)], NOW_Y, POLICY).book_in_from == LINES[0]


def test_the_line_rises_just_above_what_would_be_too_many() -> None:
    # 100 pumps in 2000 peak at 0.71: 29 needless book-ins in some 3900 years are within the
    # allowance of 1.0 per 100 years; 400 of them, 116 needless, are not.
    few = book_in_line([mixed(1900, 100, 0.71)], NOW_Y, POLICY)
    many = book_in_line([mixed(1600, 400, 0.71)], NOW_Y, POLICY)

    assert few.book_in_from < 0.71
    assert 0.71 < many.book_in_from <= 0.74


def leaning_at(line: BookInLine) -> float:
    """Return the needless book-ins of the 150 vehicle-years that every fleet leans on."""
    return 150 * 1.0 / 100 * ((1 - line.book_in_from) / 0.35) ** 2


def test_the_expected_rate_is_the_sum_of_the_chances_of_being_wrong() -> None:
    line = book_in_line([mixed(4000, 60, 0.95)], NOW_Y, POLICY)

    # Each first test is two months into the history, and 0.01 of each year is not healthy.
    years = 4060 * (2 - 1 / 12) * 0.99
    leaning = leaning_at(line)
    assert line.healthy_vehicle_years == pytest.approx(years, rel=0.01)
    assert line.needless_per_100_vehicle_years == pytest.approx(
        100 * (60 * 0.05 + leaning) / (line.healthy_vehicle_years + 150), rel=1e-9
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
        years = line.healthy_vehicle_years + 150
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
    return line.needless_per_100_vehicle_years * (line.healthy_vehicle_years + 150) / 100 - leaning


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
    assert 0.6 < line.book_in_from < 0.85


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
        line.healthy_vehicle_years + 150
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
