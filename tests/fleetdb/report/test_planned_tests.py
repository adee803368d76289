"""When each pump is to be tested next, worked out by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from fleetdb.report.planned_tests import (
    WHY,
    Because,
    Intervals,
    due,
    plan_numbers,
    plan_of,
    soonest_first,
    with_plan,
)
from fleetdb.trend.verdict import SCHEMA

AS_OF = datetime(2025, 6, 30, 12, tzinfo=UTC)
TODAY = AS_OF.date()
BETWEEN = Intervals(shortest_d=30, longest_d=180)


def at(days_ago: float) -> datetime:
    return (AS_OF - timedelta(days=days_ago)).replace(tzinfo=None)


def on(days_ahead: int) -> date:
    return TODAY + timedelta(days=days_ahead)


def planned(*rows: dict[str, Any], as_of: datetime = AS_OF) -> pl.DataFrame:
    made = [
        {"vehicle": f"V{n}", "state": "sound", "fitted_at": at(900), "state_since": at(900), **row}
        for n, row in enumerate(rows)
    ]
    schema = pl.DataFrame(SCHEMA.empty_table()).schema
    return with_plan(pl.DataFrame(made, schema=schema), as_of, BETWEEN)


@pytest.mark.parametrize(
    ("row", "when", "why"),
    [
        # Never below with one chance in fifty: the longest interval rules.
        ({"last_test_at": at(20)}, on(160), Because.LONGEST),
        ({"last_test_at": at(20), "limit_date_p02": on(300)}, on(160), Because.LONGEST),
        ({"last_test_at": at(20), "limit_date_p02": on(160)}, on(160), Because.LONGEST),
        # Between the two it is that day itself.
        ({"last_test_at": at(20), "limit_date_p02": on(159)}, on(159), Because.RISK),
        ({"last_test_at": at(20), "limit_date_p02": on(11)}, on(11), Because.RISK),
        ({"last_test_at": at(90), "limit_date_p02": on(-5)}, on(-5), Because.RISK),
        # Never sooner than the shortest.
        ({"last_test_at": at(20), "limit_date_p02": on(10)}, on(10), Because.SHORTEST),
        ({"last_test_at": at(20), "limit_date_p02": on(0)}, on(10), Because.SHORTEST),
        ({"last_test_at": at(50), "limit_date_p02": on(-25)}, on(-20), Because.SHORTEST),
        # Too little known.
        ({"state": "unproven", "last_test_at": at(5)}, on(25), Because.UNPROVEN),
        ({"state": "unproven", "fitted_at": at(5)}, on(25), Because.NEVER_TESTED),
        ({"state": "sound", "fitted_at": at(400)}, on(-370), Because.NEVER_TESTED),
        # Not to be sent out: since then, tested or not.
        (
            {"state": "stand_down", "state_since": at(3), "last_test_at": at(3)},
            on(-3),
            Because.STAND_DOWN,
        ),
        # Tested since, and still so.
        (
            {"state": "stand_down", "state_since": at(90), "last_test_at": at(7)},
            on(-7),
            Because.STAND_DOWN,
        ),
    ],
)
def test_the_day_follows_from_risk_within_the_intervals(
    row: dict[str, Any], when: date, why: Because
) -> None:
    plan = planned(row)
    assert plan["next_test_on"].to_list() == [when]
    assert plan["next_test_because"].to_list() == [why.value]
    assert plan["overdue_days"].to_list() == [max(0, (TODAY - when).days)]


def test_every_reason_has_its_words() -> None:
    assert set(WHY) == set(Because)


def test_a_day_does_not_move_while_nothing_happens() -> None:
    row = {"last_test_at": at(20), "limit_date_p02": on(11)}
    later = AS_OF + timedelta(days=60)
    plan = planned(row, as_of=later)
    assert plan["next_test_on"].to_list() == [on(11)]
    assert plan["overdue_days"].to_list() == [49]


def test_a_test_on_its_very_day_is_not_overdue() -> None:
    assert planned({"last_test_at": at(180)})["overdue_days"].to_list() == [0]
    assert planned({"last_test_at": at(181)})["overdue_days"].to_list() == [1]


def test_the_plan_is_counted_and_chosen_from_by_when_it_is_due() -> None:
    plan = planned(
        {"last_test_at": at(181)},
        {"last_test_at": at(180)},
        {"last_test_at": at(150)},
        {"last_test_at": at(149)},
    )
    numbers = plan_numbers(plan, AS_OF)
    assert (numbers.overdue, numbers.soon, numbers.later) == (1, 2, 1)
    assert due(plan, TODAY, "overdue")["vehicle"].to_list() == ["V0"]
    assert due(plan, TODAY, "soon")["vehicle"].to_list() == ["V0", "V1", "V2"]
    assert due(plan, TODAY, "").height == 4


def test_of_one_day_the_likelier_worn_comes_first() -> None:
    plan = planned(
        {"last_test_at": at(20), "probability_worn": 0.1},
        {"last_test_at": at(20), "probability_worn": 0.3},
        {"last_test_at": at(21), "probability_worn": None},
    )
    assert soonest_first(plan)["vehicle"].to_list() == ["V2", "V1", "V0"]


def test_an_empty_fleet_has_an_empty_plan() -> None:
    plan = planned()
    assert plan.height == 0
    assert plan_numbers(plan, AS_OF).later == 0


def test_one_verdicts_plan_is_that_of_the_fleets() -> None:
    verdict = {
        "vehicle": "V0",
        "state": "sound",
        "fitted_at": at(900),
        "last_test_at": at(20),
        "limit_date_p02": on(11),
    }
    told = plan_of(verdict, AS_OF, BETWEEN)

    assert told["next_test_on"] == on(11)
    assert told["next_test_because"] == Because.RISK
    [row] = planned(verdict).to_dicts()
    assert (told["next_test_on"], told["overdue_days"]) == (row["next_test_on"], 0)
