"""The action list, against plain Python sorting."""

from __future__ import annotations

from datetime import date
from typing import Any, get_args

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.report.verdict_list import StateWord, VerdictFilter, VerdictOrder, verdict_page
from fleetdb.trend.states import State

STATES = list(get_args(StateWord))
SCHEMA = {
    "vehicle": pl.String,
    "state": pl.String,
    "probability_below_limit": pl.Float64,
    "probability_worn": pl.Float64,
    "limit_date_p50": pl.Date,
    "depot": pl.String,
    "pump_family": pl.String,
    "leading_cause": pl.String,
}
rows = st.lists(
    st.fixed_dictionaries(
        {
            "vehicle": st.text("abc", min_size=1, max_size=4),
            "state": st.sampled_from(STATES),
            "probability_below_limit": st.none() | st.floats(0, 1),
            # Thousandths: a rank tells no two apart that differ by less than rounding.
            "probability_worn": st.none() | st.integers(0, 1000).map(lambda n: n / 1000),
            "limit_date_p50": st.none() | st.dates(date(2020, 1, 1), date(2199, 1, 1)),
            "depot": st.sampled_from([None, "D-1", "D-2"]),
            "pump_family": st.just("fam"),
            "leading_cause": st.none(),
        }
    ),
    unique_by=lambda row: row["vehicle"],
    max_size=30,
)


def test_the_words_of_the_states_are_those_of_the_trend() -> None:
    assert [state.word for state in State] == STATES


def in_order(listed: list[dict[str, Any]], order: VerdictOrder) -> list[str]:
    keys = {
        VerdictOrder.URGENCY: lambda r: (
            -STATES.index(r["state"]),
            -r["probability_worn"] if r["probability_worn"] is not None else 9,
        ),
        VerdictOrder.PROBABILITY: lambda r: (
            -r["probability_below_limit"] if r["probability_below_limit"] is not None else 9
        ),
        VerdictOrder.LIMIT_DATE: lambda r: r["limit_date_p50"] or date.max,
        VerdictOrder.STATE: lambda r: -STATES.index(r["state"]),
        VerdictOrder.VEHICLE: lambda r: 0,
    }
    key = keys[order]
    return [r["vehicle"] for r in sorted(listed, key=lambda r: (key(r), r["vehicle"]))]


@given(rows, st.sampled_from(VerdictOrder), st.integers(1, 5))
def test_pages_put_together_are_the_sorted_list(
    listed: list[dict[str, Any]], order: VerdictOrder, limit: int
) -> None:
    frame = pl.DataFrame(listed, schema=SCHEMA)
    seen: list[str] = []
    after = None
    while page := verdict_page(frame, VerdictFilter(), order, after, limit):
        seen += [row["vehicle"] for row in page]
        after = (page[-1]["rank"], page[-1]["vehicle"])
    assert seen == in_order(listed, order)


@given(rows, st.sets(st.sampled_from(STATES)), st.sets(st.sampled_from(["D-1", "D-2"])))
def test_a_filter_keeps_what_it_names(
    listed: list[dict[str, Any]], states: set[str], depots: set[str]
) -> None:
    frame = pl.DataFrame(listed, schema=SCHEMA)
    wanted = VerdictFilter(state=sorted(states), depot=sorted(depots))
    page = verdict_page(frame, wanted, VerdictOrder.VEHICLE, None, 1_000)
    expected = [
        row
        for row in listed
        if (not states or row["state"] in states) and (not depots or row["depot"] in depots)
    ]
    assert [row["vehicle"] for row in page] == in_order(expected, VerdictOrder.VEHICLE)


@pytest.mark.parametrize("order", list(VerdictOrder))
def test_an_empty_fleet_has_an_empty_list(order: VerdictOrder) -> None:
    assert verdict_page(pl.DataFrame(schema=SCHEMA), VerdictFilter(), order, None, 10) == []
