from __future__ import annotations

from typing import Any

import polars as pl

from fleetdb.trend import queries
from tests.fleetdb.trend.said import verdicts
from tests.fleetdb.trend.small_tables import Row, connect, day, finding


def rows_of(said: pl.DataFrame, *findings: Row) -> list[Row]:
    with connect(findings=findings) as connection:
        connection.register("verdicts", said)
        table = queries.answer(connection, "scorecard_calls", most_notice_days=400, visit_days=14)
    return table.to_pylist()


def calls(said: pl.DataFrame, *findings: Row) -> list[tuple[Any, ...]]:
    return [(row["called_on"], row["outcome"], row["found_at"]) for row in rows_of(said, *findings)]


def on(number: float) -> Any:
    return day(number).date()


def test_a_run_of_month_ends_is_one_call_and_a_break_begins_another() -> None:
    states = {0: "book_in", 30: "stand_down", 60: "watch", 90: "book_in", 120: "book_in"}

    assert calls(verdicts(states)) == [(on(0), "open", None), (on(90), "open", None)]


def test_a_call_is_right_when_the_pump_fails_or_is_found_worn() -> None:
    said = verdicts({0: "book_in", 30: "book_in"})

    for outcome in ("failed_on_road", "worn_confirmed"):
        assert calls(said, finding("V1", 50, outcome)) == [(on(0), "right", day(50))]


def test_a_call_is_false_when_no_fault_is_found() -> None:
    assert calls(verdicts({0: "book_in"}), finding("V1", 20, "no_fault_found")) == [
        (on(0), "false", day(20))
    ]


def test_worn_after_no_fault_found_is_right_after_all() -> None:
    said = verdicts(dict.fromkeys(range(0, 211, 30), "book_in"))
    found = finding("V1", 20, "no_fault_found"), finding("V1", 200, "worn_confirmed")

    assert calls(said, *found) == [(on(0), "right", day(200))]


def test_a_call_nothing_came_of_in_the_whole_time_is_false() -> None:
    states = {0: "book_in"} | dict.fromkeys(range(30, 451, 30), "sound")

    assert calls(verdicts(states)) == [(on(0), "false", None)]


def test_a_finding_before_the_call_or_long_after_it_is_not_about_it() -> None:
    states = {0: "book_in"} | dict.fromkeys(range(30, 601, 30), "sound")
    others = (
        finding("V1", -1, "worn_confirmed"),
        finding("V1", 401, "failed_on_road"),
        finding("V1", 20, "worn_confirmed", part="injector"),
        finding("V2", 20, "worn_confirmed"),
    )

    assert calls(verdicts(states), *others) == [(on(0), "false", None)]


def test_a_finding_on_the_next_pump_is_not_about_the_one_called() -> None:
    said = verdicts({0: "book_in", 30: "book_in"}).vstack(
        verdicts(dict.fromkeys(range(60, 301, 30), "sound"), fitted=40)
    )

    assert calls(said, finding("V1", 250, "failed_on_road")) == [(on(0), "open", None)]


def test_the_part_a_call_took_for_the_cause_answers_it() -> None:
    said = verdicts({0: "book_in", 30: "book_in"})
    for cause, part in (
        ("injector_leak", "injector"),
        ("injector_leak", "injector_set"),
        ("regulator_or_rail_leak", "regulator"),
        ("supply_side", "fuel_filter"),
    ):
        leads = said.with_columns(pl.lit(cause).alias("leading_cause"))
        worn = finding("V1", 20, "worn_confirmed", part=part)
        sound = finding("V1", 20, "no_fault_found")
        assert calls(leads, worn, sound) == [(on(0), "right", day(20))]
        assert calls(leads, finding("V1", 20, "no_fault_found", part=part)) == [
            (on(0), "open", None)
        ]
        assert calls(said, worn) == [(on(0), "open", None)]


def called(causes: dict[int, str | None], until: int = 0) -> pl.DataFrame:
    """Return month ends called for a cause, and sound ones from then to ``until``."""
    states = {at: "book_in" if cause else "sound" for at, cause in causes.items()}
    sound = dict.fromkeys(range(max(causes) + 30, until + 1, 30), "sound")
    named = [*causes.values(), *[None] * len(sound)]
    return verdicts(states | sound).with_columns(pl.Series("leading_cause", named, dtype=pl.String))


def test_the_cause_of_a_right_call_is_held_against_the_part_found_worn() -> None:
    def cause_found(cause: str, *parts: str) -> bool | None:
        found = [finding("V1", 20 + n, "worn_confirmed", part=p) for n, p in enumerate(parts)]
        [row] = rows_of(called({0: cause}), *found)
        return row["cause_found"]

    assert cause_found("pump_wear", "pump") is True
    assert cause_found("injector_leak", "pump") is False
    assert cause_found("injector_leak", "pump", "injector") is True
    assert cause_found("cannot_tell", "pump") is False
    assert cause_found("pump_wear") is None


def test_the_cause_is_that_of_the_last_month_end_before_the_finding() -> None:
    said = called({0: "cannot_tell", 30: "injector_leak", 60: "pump_wear"}, until=600)
    injector = finding("V1", 45, "worn_confirmed", part="injector")

    [answered] = rows_of(said, injector)
    [unanswered] = rows_of(said)
    [too_early] = rows_of(said, finding("V1", 15, "worn_confirmed", part="injector"))

    assert (answered["outcome"], answered["cause_found"]) == ("right", True)
    assert (answered["called_on"], answered["leading_cause"]) == (on(0), "injector_leak")
    assert (unanswered["outcome"], unanswered["leading_cause"]) == ("false", "pump_wear")
    assert too_early["outcome"] == "false"


def test_what_is_found_long_after_a_call_was_answered_is_not_about_it() -> None:
    said = called({0: "injector_leak"}, until=600)
    injector = finding("V1", 390, "worn_confirmed", part="injector")
    worn, cleared = finding("V1", 20, "worn_confirmed"), finding("V1", 20, "no_fault_found")

    [by_pump] = rows_of(said, worn, injector)
    [by_nothing] = rows_of(said, cleared, injector)
    [same_visit] = rows_of(said, cleared, finding("V1", 33, "worn_confirmed", part="injector"))

    assert (by_pump["outcome"], by_pump["cause_found"]) == ("right", False)
    assert (by_nothing["outcome"], by_nothing["found_at"]) == ("false", day(20))
    assert (same_visit["outcome"], same_visit["cause_found"]) == ("right", True)


def test_what_stands_down_for_its_own_failure_was_not_called() -> None:
    states = dict.fromkeys((0, 30, 60), "sound") | dict.fromkeys((90, 120), "stand_down")
    failed = finding("V1", 75, "failed_on_road")
    tested = [day(-10)] * 5

    assert calls(verdicts(states, last_test_at=tested), failed) == []
    # A test since that is as bad is a call.
    assert calls(verdicts(states, last_test_at=[*tested[:3], day(80), day(80)]), failed) == [
        (on(90), "open", None)
    ]
