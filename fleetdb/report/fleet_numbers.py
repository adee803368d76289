"""A fleet in numbers: states, how many were tested lately, how much of the list may be wrong."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from fleetdb.report.verdict_list import to_act_on
from fleetdb.trend.states import State


@dataclass(frozen=True, slots=True)
class FleetNumbers:
    """What a list of verdicts comes to. ``share_tested`` is None without vehicles."""

    vehicles: int
    by_state: dict[str, int]
    to_act_on: int
    expected_false: float
    """Of those to act on, how many are expected not to be worn after all."""
    share_tested: float | None
    """Share of vehicles that were tested, and whose next test is not overdue. [-]"""
    never_tested: int


def fleet_numbers(verdicts: pl.DataFrame) -> FleetNumbers:
    """Return the numbers of ``verdicts`` as ``planned_tests.with_plan`` gives them."""
    counted = dict(verdicts["state"].value_counts().iter_rows())
    acted, expected_false = to_act_on(verdicts)
    within_interval = pl.col("last_test_at").is_not_null() & (pl.col("overdue_days") == 0)
    tested = verdicts.select(within_interval.sum()).item()
    return FleetNumbers(
        vehicles=len(verdicts),
        by_state={state.word: int(counted.get(state.word, 0)) for state in reversed(State)},
        to_act_on=acted,
        expected_false=expected_false,
        share_tested=tested / len(verdicts) if len(verdicts) else None,
        never_tested=int(verdicts["last_test_at"].null_count()),
    )
