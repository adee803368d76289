"""When each pump is to be tested next, and why then.

The next test is no later than the day on which the pump would be below its limit with a
probability of ``UNSEEN_SHARE`` (``limit_date_p02`` of its verdict): a later one would too often
find what a sooner one would have prevented. It is never sooner after the last test than the
fleet's shortest interval, nor later than its longest. A pump with too few tests to say is due
after the shortest interval, counted from its fitting where it was never tested; one that is to
stand down is due since it is, or since its last test if that has not ended it.

The day does not move while nothing happens: the forecast of a given day stays the same until
a test or a fitment says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any, Literal

import polars as pl
import pyarrow as pa

from fleetdb.trend.states import State
from fleetdb.trend.verdict import SCHEMA


class Because(StrEnum):
    """Why a test is planned for its day."""

    STAND_DOWN = "stand_down"
    NEVER_TESTED = "never_tested"
    UNPROVEN = "unproven"
    SHORTEST = "shortest"
    RISK = "risk"
    LONGEST = "longest"


WHY = {
    Because.STAND_DOWN: "Not to be sent out: confirm with a second test now.",
    Because.NEVER_TESTED: "Never tested since the pump was fitted.",
    Because.UNPROVEN: "Too few tests to say.",
    Because.SHORTEST: "By then it is below its limit with one chance in fifty or more.",
    Because.RISK: "Any later, it would be below its limit with more than one chance in fifty.",
    Because.LONGEST: "The longest interval: nothing asks for a sooner test.",
}
"""Each reason in words."""


@dataclass(frozen=True, slots=True)
class Intervals:
    """The shortest and the longest time between two planned tests of a pump. [d]"""

    shortest_d: int
    longest_d: int


@dataclass(frozen=True, slots=True)
class PlanNumbers:
    """How many tests are overdue, due within ``SOON_D`` days, and later."""

    overdue: int
    soon: int
    later: int


SOON_D = 30


def with_plan(verdicts: pl.DataFrame, as_of: datetime, intervals: Intervals) -> pl.DataFrame:
    """Return verdicts with ``next_test_on``, ``next_test_because`` and ``overdue_days``.

    ``verdicts`` has the columns of ``fleetdb.trend.verdict.SCHEMA``. ``overdue_days`` is 0 on
    the day itself and before.
    """
    last = pl.col("last_test_at").cast(pl.Date)
    first = last.fill_null(pl.col("fitted_at").cast(pl.Date))
    soonest = first + pl.duration(days=intervals.shortest_d)
    latest = first + pl.duration(days=intervals.longest_d)
    at_risk = pl.col("limit_date_p02").fill_null(date.max)
    state = pl.col("state")
    because = (
        pl.when(state == State.STAND_DOWN.word)
        .then(pl.lit(Because.STAND_DOWN.value))
        .when(last.is_null())
        .then(pl.lit(Because.NEVER_TESTED.value))
        .when(state == State.UNPROVEN.word)
        .then(pl.lit(Because.UNPROVEN.value))
        .when(at_risk <= soonest)
        .then(pl.lit(Because.SHORTEST.value))
        .when(at_risk < latest)
        .then(pl.lit(Because.RISK.value))
        .otherwise(pl.lit(Because.LONGEST.value))
    )
    on = (
        pl.when(state == State.STAND_DOWN.word)
        .then(pl.max_horizontal(last, pl.col("state_since").cast(pl.Date)))
        .when(last.is_null() | (state == State.UNPROVEN.word))
        .then(soonest)
        .otherwise(pl.min_horizontal(latest, pl.max_horizontal(soonest, at_risk)))
    )
    planned = verdicts.with_columns(on.alias("next_test_on"), because.alias("next_test_because"))
    late = (pl.lit(as_of.date()) - pl.col("next_test_on")).dt.total_days()
    return planned.with_columns(late.clip(lower_bound=0).alias("overdue_days"))


def plan_of(verdict: Mapping[str, Any], as_of: datetime, intervals: Intervals) -> dict[str, Any]:
    """Return one verdict, a row of ``fleetdb.trend.verdict.SCHEMA``, as ``with_plan`` does."""
    row = pl.DataFrame(pa.Table.from_pylist([dict(verdict)], schema=SCHEMA))
    return with_plan(row, as_of, intervals).row(0, named=True)


def plan_numbers(planned: pl.DataFrame, as_of: datetime) -> PlanNumbers:
    """Count what ``with_plan`` gave."""
    overdue = planned.filter(pl.col("overdue_days") > 0).height
    ahead = (pl.col("next_test_on") - pl.lit(as_of.date())).dt.total_days()
    soon = planned.filter(ahead.is_between(0, SOON_D)).height
    return PlanNumbers(overdue, soon, planned.height - overdue - soon)


def due(planned: pl.DataFrame, today: date, when: Literal["", "overdue", "soon"]) -> pl.DataFrame:
    """Return the tests that are overdue or, with "soon", due within ``SOON_D`` days too."""
    if when == "overdue":
        return planned.filter(pl.col("overdue_days") > 0)
    if when == "soon":
        return planned.filter(pl.col("next_test_on") <= today + timedelta(days=SOON_D))
    return planned


def soonest_first(planned: pl.DataFrame) -> pl.DataFrame:
    """Return the plan in order of days; of one day the likelier worn first."""
    return planned.sort(
        "next_test_on", -pl.col("probability_worn").fill_null(0.0), "vehicle", nulls_last=True
    )
