"""What is counted beside the filter's opinion: proofs set aside, below the limit, in a row."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.trend.beliefs import Floats, RecordBelief, empty_record_belief
from fleetdb.trend.judging import below_limit, count, in_a_row, set_aside, that_count
from fleetdb.trend.known import known_at
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.pipeline import assess
from fleetdb.trend.series import Series
from tests.fleetdb.trend.small_tables import Row, connect, day, pump, record

LIMIT = 0.8
Pumps = list[list[tuple[bool, bool]]]


def series_of(*records: Row, **rows: Any) -> Series:
    with connect(test_records=records, **rows) as connection:
        [series] = known_at(connection, day(1000)).families
    return series


def beliefs(series: Series, botched_ratio: Floats, botched_build: Floats) -> RecordBelief:
    return empty_record_belief(len(series.records))._replace(
        p_botched_ratio=botched_ratio, p_botched_build=botched_build
    )


def test_a_record_is_set_aside_when_either_reading_is_more_likely_botched_than_not() -> None:
    series = series_of(*(record("V1", 10 * n, 0.9) for n in range(4)))

    aside = set_aside(
        beliefs(series, np.array([0.2, 0.6, 0.0, 0.5]), np.array([0.0, 0.0, 0.9, 0.5]))
    )

    assert aside.tolist() == [False, True, True, False]


def test_a_proof_below_the_limit_is_one_with_a_true_kit() -> None:
    series = series_of(record("V1", 10, 0.79), record("V1", 20, 0.81), record("V1", 30, 0.75))
    constants = starting_constants(series)._replace(winter_fuel=0.0)

    assert below_limit(series, constants, LIMIT).tolist() == [True, False, True]
    kits = series.readings._replace(ln_kit=np.array([-0.05, 0.05, 0.0]))
    known = Series(**{**vars(series), "readings": kits})
    assert below_limit(known, constants, LIMIT).tolist() == [False, True, True]


def test_a_hot_or_slow_proof_is_brought_to_reference_and_a_cold_or_fast_one_is_not() -> None:
    series = series_of(
        record("V1", 10, 0.79, fuel_temp_c=60.0),
        record("V1", 20, 0.79, crank_rpm=170.0),
        record("V1", 30, 0.81, fuel_temp_c=10.0),
        record("V1", 40, 0.81, crank_rpm=240.0),
    )
    constants = starting_constants(series)._replace(winter_fuel=0.0)

    # What the hot and the slow one lost by it they have; what the others gained may be the cap's.
    assert below_limit(series, constants, LIMIT).tolist() == [False, False, False, False]


def test_a_proof_typed_in_mpa_is_below_no_limit() -> None:
    series = series_of(record("V1", 10, 0.9), record("V1", 20, 0.09), record("V1", 30, 0.9))

    assert not below_limit(series, starting_constants(series), LIMIT).any()


def test_a_botched_proof_that_reads_well_ends_no_run_and_one_that_reads_badly_makes_one() -> None:
    series = series_of(
        record("V1", 10, 0.7),
        record("V1", 20, 0.95),
        record("V1", 30, 0.7),
        record("V1", 40, rate_bar_per_s=300.0),
        record("V1", 50, 0.09),
    )
    below = np.array([True, False, True, False, False])
    none = np.zeros(5)
    botched = beliefs(series, np.array([0.0, 0.9, 0.9, 0.0, 0.0]), none)
    honest = beliefs(series, none, none)

    assert that_count(series, botched, below).tolist() == [True, False, True, False, False]
    assert that_count(series, honest, below).tolist() == [True, True, True, False, False]
    assert in_a_row(below, that_count(series, botched, below), series.offsets).tolist() == [2]
    assert in_a_row(below, that_count(series, honest, below), series.offsets).tolist() == [1]


def flat(pumps: Pumps) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    records = [pair for own in pumps for pair in own]
    flags, counted = (
        np.array([pair[k] for pair in records], dtype=bool).reshape(len(records)) for k in (0, 1)
    )
    return flags, counted, np.cumsum([0, *map(len, pumps)])


PUMPS = st.lists(st.lists(st.tuples(st.booleans(), st.booleans()), max_size=6), max_size=5)


@given(PUMPS)
def test_a_run_is_counted_back_from_the_last_record_of_each_pump(pumps: Pumps) -> None:
    def by_hand(own: list[tuple[bool, bool]]) -> int:
        run = 0
        for flag, counts in reversed(own):
            if counts and not flag:
                break
            run += flag and counts
        return run

    assert in_a_row(*flat(pumps)).tolist() == [by_hand(own) for own in pumps]


@given(PUMPS)
def test_each_pumps_flags_are_counted(pumps: Pumps) -> None:
    flags, _, offsets = flat(pumps)

    assert count(flags, offsets).tolist() == [sum(flag for flag, _ in own) for own in pumps]


def test_a_verdict_stands_since_the_test_that_brought_it() -> None:
    falling = (0.94, 0.94, 0.92, 0.88, 0.80, 0.72, 0.62, 0.55)
    tests = [record("V1", 10 + 40 * n, ratio) for n, ratio in enumerate(falling)]
    with connect(test_records=tests) as connection:
        [row] = assess(connection, day(300)).verdicts.to_pylist()

    assert row["state"] == "stand_down"
    since = [test for test in tests if test["performed_at"] == row["state_since"]]
    assert since and since[0]["actual_bar"] / 700 < 0.75
    assert row["n_tests"] == len(falling)


def test_a_sound_pump_stands_so_since_it_was_fitted_and_a_run_is_its_own() -> None:
    bad = [record("V1", 10 + 20 * n, 0.7) for n in range(3)]
    good = [record("V1", 110 + 20 * n, 0.95) for n in range(4)]
    fitted = [pump("V1", 100, "second")]
    with connect(test_records=[*bad, *good], fitments=fitted) as connection:
        [row] = assess(connection, day(200)).verdicts.to_pylist()

    assert (row["state"], row["state_since"]) == ("sound", day(100))
    assert "in a row" not in row["reasons"]
    assert math.isclose(row["last_raw_proof_ratio"], 0.95)
