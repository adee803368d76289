from __future__ import annotations

import math
from dataclasses import fields, replace
from datetime import timedelta

import pytest

from fleetdb.trend.beliefs import Repair
from fleetdb.trend.cause import Cause
from fleetdb.trend.reasons import Figures, advice_for, reasons_for
from fleetdb.trend.states import State
from tests.fleetdb.trend.small_tables import day

NOW = day(400)
# Every figure there is, unknown unless a test needs it.
UNKNOWN = {field.name: None if "None" in str(field.type) else math.nan for field in fields(Figures)}
WORN = Figures(
    **{
        **UNKNOWN,
        "state": State.BOOK_IN,
        "n_tests": 7,
        "last_test_at": NOW - timedelta(days=20),
        "as_of": NOW,
        "limit": 0.8,
        "reserve": 0.97,
        "reserve_low": 0.91,
        "reserve_high": 1.04,
        "wear_per_y": 0.25,
        "cause": Cause.PUMP_WEAR,
        "leak_times_usual": 1.1,
        "lost": 0.28,
        "lost_by_leak": 0.03,
        "ln_kit": 0.0,
        "sd_ln_kit": 0.03,
        "set_aside": 0,
        "repaired": Repair(0),
        "unanswered": False,
        "notable_p": 0.04,
    }
)

FALLING = replace(WORN, build_pct_per_y=-14.2, build_p=0.0031, build_tests=12)


def told(**changes: object) -> str:
    return "; ".join(reasons_for(replace(WORN, **changes)))


def test_what_a_leak_explains_of_the_loss_is_told_beside_it() -> None:
    injectors = told(
        cause=Cause.INJECTOR_LEAK, worst_cylinder=3, worst_times_others=4.1, lost_by_leak=0.26
    )

    assert "cylinder 3 returns 4.1 times the others' median: that explains 26 of the 28 %" in (
        injectors
    )
    assert "explains 3 of the 28 % of reserve lost since new: most likely the pump itself" in told()
    assert "explains none of the 28 %" in told(lost_by_leak=0.0)
    # A leak cannot have taken more than is gone.
    assert "explains 28 of the 28 %" in told(lost_by_leak=0.4)


def test_the_reasons_carry_the_numbers() -> None:
    text = told()

    for number in ("0.97", "0.91", "1.04", "0.80"):
        assert number in text


def test_nothing_unknown_is_printed() -> None:
    for state in State:
        for cause in Cause:
            text = told(state=state, cause=cause, leak_times_usual=math.nan)
            assert "nan" not in text.lower()
            assert "None" not in text.replace("kit None", "")


@pytest.mark.parametrize("cause", list(Cause))
@pytest.mark.parametrize("state", list(State))
def test_every_state_and_cause_has_words_and_advice_that_never_declare_a_vehicle_safe(
    state: State, cause: Cause
) -> None:
    figures = replace(WORN, state=state, cause=cause, kit="K1", ln_kit=-0.06)
    text = " ".join([*reasons_for(figures), advice_for(figures)])

    assert len(advice_for(figures)) > 10
    for word in ("safe", "fit for", "guarantee", "no risk"):
        assert word not in text.lower()


def test_a_pump_to_stand_down_is_not_to_be_sent_out() -> None:
    assert "not" in advice_for(replace(WORN, state=State.STAND_DOWN)).lower()
    assert advice_for(replace(WORN, state=State.STAND_DOWN)) != advice_for(WORN)


def test_a_pump_never_tested_says_so_and_nothing_else() -> None:
    [reason] = reasons_for(replace(WORN, state=State.UNPROVEN, n_tests=0, last_test_at=None))

    assert "no proof" in reason


def test_a_failure_on_the_road_comes_first() -> None:
    failed = replace(WORN, state=State.STAND_DOWN, failed_at=day(390))

    assert day(390).date().isoformat() in reasons_for(failed)[0]


def test_few_tests_are_counted() -> None:
    text = told(state=State.UNPROVEN, n_tests=2)

    assert "2 tests" in text


def test_what_was_set_aside_is_told() -> None:
    assert told(set_aside=2) != told()
    assert "2" in told(set_aside=2).replace(told(), "")


def test_a_kit_that_reads_off_is_named_with_its_way_and_one_that_reads_true_is_not() -> None:
    assert "K7" in told(kit="K7", ln_kit=-0.06)
    assert "low" in told(kit="K7", ln_kit=-0.06)
    assert "high" in told(kit="K7", ln_kit=0.06)
    assert "K7" not in told(kit="K7", ln_kit=0.005)


def test_the_cylinder_that_leaks_is_named() -> None:
    text = told(
        cause=Cause.INJECTOR_LEAK, leak_times_usual=2.4, worst_cylinder=3, worst_times_others=4.2
    )

    assert "cylinder 3" in text
    assert "4.2" in text


def test_a_cylinder_that_leaks_beside_dry_ones_is_named_without_a_number() -> None:
    text = told(
        cause=Cause.INJECTOR_LEAK,
        leak_times_usual=2.4,
        worst_cylinder=3,
        worst_times_others=math.inf,
    )

    assert "cylinder 3 returns fuel and the others next to none" in text
    assert "inf" not in text


def test_a_long_time_without_a_test_is_told() -> None:
    assert "300 days" in told(last_test_at=NOW - timedelta(days=300))
    assert "20 days" not in told()


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


@pytest.mark.parametrize("p", [0.0401, 0.4, math.nan])
def test_a_trend_that_chance_may_have_made_is_not_said(p: float) -> None:
    assert build_trend_in(replace(FALLING, build_p=p)) == []


@pytest.mark.parametrize("state", list(State))
def test_the_build_trend_is_a_reason_from_watch_on(state: State) -> None:
    said = build_trend_in(replace(FALLING, state=state))

    assert bool(said) == (state >= State.WATCH)


def test_what_traces_say_is_told_in_words_with_the_numbers() -> None:
    assert "number 2 in its trace) delivers 0.55 of the others" in told(
        weak_element=2, weak_element_share=0.55
    )
    assert "closed rail loses 2.4 times the usual" in told(hold_times_usual=2.4)
    assert "closed rail" not in told(hold_times_usual=1.2)
    assert "by 12 %" in told(regulator_departure=-0.12)
    assert "duty" not in told(regulator_departure=0.01)


def test_a_part_fitted_since_the_last_test_is_to_be_proven_before_more_is_replaced() -> None:
    fitted = {"repaired": Repair.INJECTORS | Repair.SUPPLY, "cause": Cause.INJECTOR_LEAK}

    assert "injectors and fuel filter fitted since the last test" in told(**fitted)
    advice = advice_for(replace(WORN, **fitted))
    assert "test with the new part in" in advice
    assert "Book in before the next planned visit" in advice
    assert "Test the injectors" not in advice
    stood_down = advice_for(replace(WORN, state=State.STAND_DOWN, **fitted))
    assert "Do not send out" in stood_down


def test_a_new_filter_matters_where_the_supply_is_suspected() -> None:
    starved = {"repaired": Repair.SUPPLY, "cause": Cause.SUPPLY_SIDE}

    assert "fuel filter fitted since the last test" in told(**starved)
    assert "fuel filter" not in told(repaired=Repair.SUPPLY)
    assert advice_for(replace(WORN, repaired=Repair.SUPPLY)) == advice_for(WORN)


def test_a_filter_that_was_clogged_is_to_be_proven_whatever_the_cause_seems() -> None:
    clogged = Repair.SUPPLY | Repair.FOUND_CLOGGED

    assert "fuel filter fitted since the last test" in told(repaired=clogged)
    assert "test with the new part in" in advice_for(replace(WORN, repaired=clogged))


def test_a_pump_in_which_no_fault_was_found_says_so() -> None:
    said = "no fault was found in the pump since the last test"

    assert said in told(repaired=Repair.FOUND_SOUND)
    assert said not in told(repaired=Repair.FOUND_SOUND, state=State.SOUND)
    assert said not in told()


def test_what_nobody_wrote_down_is_no_new_part() -> None:
    # The old pump's failure, written down after the new one's first test.
    untold = replace(WORN, repaired=Repair.UNTOLD)

    assert reasons_for(untold) == reasons_for(WORN)
    assert advice_for(untold) == advice_for(WORN)


def test_a_sound_pump_is_not_asked_about_a_new_filter() -> None:
    sound = replace(WORN, state=State.SOUND, repaired=Repair.SUPPLY)

    assert "fitted" not in "; ".join(reasons_for(sound))
    assert advice_for(sound) == advice_for(replace(sound, repaired=Repair(0)))


def test_an_unanswered_failure_counts_for_more_than_what_was_fitted_after_it() -> None:
    failed = replace(
        WORN,
        state=State.STAND_DOWN,
        failed_at=NOW - timedelta(days=5),
        unanswered=True,
        repaired=Repair.LEAKS,
    )

    assert "since the last test" not in "; ".join(reasons_for(failed))
    assert "looked at" in advice_for(failed)
