from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fleetdb.trend.cause import Cause
from fleetdb.trend.reasons import Figures, reasons_for
from fleetdb.trend.states import State
from tests.fleetdb.trend.small_tables import day

FALLING = Figures(
    state=State.BOOK_IN,
    n_tests=15,
    last_test_at=day(390),
    as_of=day(400),
    limit=0.8,
    reserve=0.95,
    reserve_low=0.9,
    reserve_high=1.0,
    wear_per_y=0.2,
    cause=Cause.PUMP_WEAR,
    cause_share=0.9,
    leak_times_usual=1.0,
    worst_cylinder=None,
    worst_times_others=math.nan,
    kit=None,
    ln_kit=0.0,
    set_aside=0,
    failed_at=None,
    build_pct_per_y=-14.2,
    build_p=0.0031,
    build_tests=12,
)


def build_trend_in(figures: Figures) -> list[str]:
    return [reason for reason in reasons_for(figures) if "a year over the last" in reason]


def test_a_telling_build_trend_is_said_with_its_numbers() -> None:
    assert build_trend_in(FALLING) == [
        "build rate falling 14 % a year over the last 12 tests (distribution-free test, p = 0.003)"
    ]


def test_a_rise_is_called_a_rise() -> None:
    [reason] = build_trend_in(replace(FALLING, build_pct_per_y=9.6))

    assert reason.startswith("build rate rising 10 % a year")


def test_a_very_small_p_is_only_called_small() -> None:
    [reason] = build_trend_in(replace(FALLING, build_p=2e-7))

    assert reason.endswith("p < 0.001)")


@pytest.mark.parametrize("p", [0.05, 0.4, math.nan])
def test_a_trend_that_chance_may_have_made_is_not_said(p: float) -> None:
    assert build_trend_in(replace(FALLING, build_p=p)) == []


@pytest.mark.parametrize("state", list(State))
def test_the_build_trend_is_a_reason_from_watch_on(state: State) -> None:
    said = build_trend_in(replace(FALLING, state=state))

    assert bool(said) == (state >= State.WATCH)
