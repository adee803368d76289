from __future__ import annotations

import math

import numpy as np
import pytest

from fleetdb.trend import filtering
from fleetdb.trend.beliefs import Floats, Readings
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import (
    FORECAST_DAYS,
    Levels,
    evidence_of_lives,
    look_ahead,
    run_filter,
)
from fleetdb.trend.reserve_filter import LN_RESERVE, WEAR_PER_Y
from tests.fleetdb.trend.pump_readings import CONSTANTS, LEVELS, WINDOWS, readings, run

LIMIT = 0.8
# Nothing moves a reserve.
STILL = CONSTANTS._replace(
    wearing_at_first=0.0,
    **{
        name: 0.0
        for name in CONSTANTS._fields
        if name.endswith(("_per_y", "_per_sqrt_y")) and name != "strands_per_y"
    },
)


def many(n_pumps: int):
    rng = np.random.default_rng(3)
    counts = rng.integers(0, 9, n_pumps)
    offsets = np.concatenate([[0], np.cumsum(counts)])
    at_y = np.concatenate([np.sort(rng.uniform(0, 3, n)) for n in counts])
    own = readings(at_y, rng.normal(-0.1, 0.08, len(at_y)), rng.normal(5.7, 0.1, len(at_y)))
    return own, offsets


def run_many(own, offsets):
    n = len(offsets) - 1
    return run_filter(
        own,
        WINDOWS,
        offsets,
        np.zeros(n),
        np.full(n, 3.0),
        CONSTANTS,
        LEVELS.limit,
        look_ahead(CONSTANTS, LEVELS),
    )


@pytest.mark.parametrize("n_pumps", [64, 101])
def test_several_threads_say_exactly_what_one_says(
    n_pumps: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, offsets = many(n_pumps)
    monkeypatch.setattr(filtering.os, "cpu_count", lambda: 3)
    split = run_many(own, offsets)
    monkeypatch.setattr(filtering.os, "cpu_count", lambda: 1)
    whole = run_many(own, offsets)

    for a, b in zip((*split[0], *split[1]), (*whole[0], *whole[1]), strict=True):
        np.testing.assert_array_equal(a, b)


def test_a_pump_is_judged_the_same_alone_and_among_others() -> None:
    own, offsets = many(30)
    _, pumps = run_many(own, offsets)

    for n in (0, 7, 29):
        _, alone = run(own.rows(slice(int(offsets[n]), int(offsets[n + 1]))), end_y=3.0)
        np.testing.assert_array_equal(alone.ln_reserve[0], pumps.ln_reserve[n])
        np.testing.assert_array_equal(alone.p_below_at[0], pumps.p_below_at[n])


def test_no_pumps_and_no_records_are_no_trouble() -> None:
    records, pumps = run_many(readings([]), np.array([0]))
    assert len(records.p_below) == len(pumps.p_below) == 0

    _, pumps = run_many(readings([]), np.array([0, 0, 0]))
    assert pumps.p_below.shape == (2,)
    assert pumps.p_below_at.shape == (2, len(FORECAST_DAYS))
    assert np.all(np.isfinite(pumps.ln_reserve))


def test_one_record_is_enough_for_a_belief() -> None:
    records, pump = run(readings([0.4], math.log(0.7)), end_y=1.0)

    assert 0 < records.p_below[0] < 1
    assert np.all(np.diff(pump.ln_reserve[0]) > 0)


def test_points_are_in_order_and_probabilities_are_probabilities() -> None:
    records, pumps = run_many(*many(80))

    assert np.all(np.diff(pumps.ln_reserve, axis=1) > 0)
    assert np.all(np.diff(pumps.ln_ratio, axis=1) >= 0)
    for p in (records.p_below, records.p_worn, pumps.p_below, pumps.p_worn, pumps.p_below_at):
        assert np.all((p >= 0) & (p <= 1 + 1e-9))


def test_a_pump_is_worn_below_the_act_line_or_if_it_will_be_below_the_limit() -> None:
    near, far = (
        look_ahead(CONSTANTS, Levels(limit=0.8, act=1.1, notice_days=days)) for days in (30, 400)
    )

    below_act = np.exp(LN_RESERVE) < 1.05
    assert np.all(near.worn[:, below_act] == 1)
    assert np.all(far.worn >= near.worn)
    assert np.all(np.diff(far.worn, axis=1) < 1e-3)  # more reserve, less worn
    assert np.all(
        np.diff(far.worn[: len(WEAR_PER_Y)], axis=0) >= -1e-12
    )  # a faster pace, more worn


def test_without_a_look_ahead_nothing_is_said_of_the_future() -> None:
    own, offsets = many(3)
    records, pumps = run_filter(
        own, WINDOWS, offsets, np.zeros(3), np.full(3, 3.0), CONSTANTS, LEVELS.limit
    )

    assert pumps.p_below_at.shape == (3, 0)
    assert np.all(pumps.p_below > 0)
    assert np.all(records.p_worn == 0)


def test_days_ahead_rise() -> None:
    assert np.all(np.diff(FORECAST_DAYS) > 0)
    assert FORECAST_DAYS[0] > 0


def evidence_of(own: Readings, failed_y: float, constants: FamilyConstants = STILL) -> float:
    n = len(own.at_y)
    [value] = evidence_of_lives(
        own, WINDOWS, np.array([0, n]), np.zeros(1), np.array([failed_y]), constants, LIMIT
    )
    return float(value)


def strands_per_y(ln_reserve: Floats) -> Floats:
    """How often a pump strands its vehicle: six times a year well below 0.9 of the limit."""
    over = (ln_reserve - math.log(LIMIT) + 0.1) / 0.04
    return 0.005 + 6.0 / (1.0 + np.exp(over))


@pytest.mark.parametrize("ln_reserve_new", [-0.5, -0.2, 0.3])
@pytest.mark.parametrize("years_on", [0.1, 1.5])
def test_a_failure_is_as_likely_as_the_reserves_that_lead_to_it(
    ln_reserve_new: float, years_on: float
) -> None:
    constants = STILL._replace(ln_reserve_new=ln_reserve_new, sd_ln_reserve_new=0.15)
    prior = np.exp(-0.5 * ((LN_RESERVE - ln_reserve_new) / 0.15) ** 2)
    prior /= prior.sum()
    rate = strands_per_y(LN_RESERVE)

    failed = evidence_of(readings([]), years_on, constants)
    tested_again = evidence_of(readings([years_on]), math.nan, constants)

    # The exponential is a series good to 4e-6; a reserve that stands still drifts over the grid
    # by nothing.
    assert failed == pytest.approx(
        math.log((prior * np.exp(-rate * years_on) * rate).sum()), abs=1e-3
    )
    assert tested_again == pytest.approx(
        math.log((prior * np.exp(-rate * years_on)).sum()), abs=1e-3
    )


def test_a_failure_before_the_last_record_is_not_the_pumps_end() -> None:
    own = readings([0.5, 1.0])

    assert evidence_of(own, 0.7) == evidence_of(own, math.nan)


WORN_OR_NOT = STILL._replace(ln_reserve_new=-0.2, sd_ln_reserve_new=0.15)


def share_below(weights: Floats) -> float:
    """Return the chance of less than the limit; nodes are bins of one grid step."""
    step = LN_RESERVE[1] - LN_RESERVE[0]
    below = np.clip((math.log(LIMIT) - LN_RESERVE) / step + 0.5, 0.0, 1.0)
    return float((weights * below).sum() / weights.sum())


@pytest.mark.parametrize("years_on", [0.1, 2.0])
def test_a_pump_that_has_run_since_it_was_fitted_has_not_failed(years_on: float) -> None:
    prior = np.exp(-0.5 * ((LN_RESERVE + 0.2) / 0.15) ** 2)
    lasted = prior * np.exp(-strands_per_y(LN_RESERVE) * years_on)

    _, untested = run(readings([]), WORN_OR_NOT, end_y=years_on)
    tested, _ = run(readings([years_on], 0.0), WORN_OR_NOT._replace(sd_ratio=50.0))

    assert untested.p_below[0] == pytest.approx(share_below(lasted), abs=1e-3)
    # A reading that says nothing: what is left is that it was taken.
    assert tested.p_below[0] == pytest.approx(share_below(lasted), abs=1e-3)


def test_silence_after_a_test_clears_no_pump() -> None:
    own = readings([0.5], math.log(0.75))
    at_test, pump = run(own, WORN_OR_NOT, end_y=3.0)

    assert pump.p_below[0] == pytest.approx(at_test.p_below[0], abs=1e-6)
    assert at_test.p_below[0] > 0.5


def test_a_pump_that_failed_was_most_likely_below_its_limit() -> None:
    prior = np.exp(-0.5 * ((LN_RESERVE + 0.2) / 0.15) ** 2)
    rate = strands_per_y(LN_RESERVE)

    _, failed = run(readings([]), WORN_OR_NOT, end_y=3.0, failed_y=0.4)
    _, not_yet = run(readings([]), WORN_OR_NOT, end_y=0.3, failed_y=0.4)
    _, never = run(readings([]), WORN_OR_NOT, end_y=0.3)

    # Nor does silence after a failure clear it.
    assert failed.p_below[0] == pytest.approx(
        share_below(prior * np.exp(-0.4 * rate) * rate), abs=1e-3
    )
    assert failed.p_below[0] > 2 * never.p_below[0]
    assert not_yet.p_below[0] == never.p_below[0]
