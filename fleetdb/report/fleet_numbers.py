"""A fleet in numbers: states, how many were tested lately, how much of the list may be wrong."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from fleetdb.trend.states import State

TESTED_WITHIN = timedelta(days=183)
"""A vehicle counts as tested when its pump was within this: no fleet says its interval yet."""
_ACTED_ON = (State.BOOK_IN.word, State.STAND_DOWN.word)


@dataclass(frozen=True, slots=True)
class FleetNumbers:
    """What a list of verdicts comes to. ``share_tested`` is None without vehicles."""

    vehicles: int
    by_state: dict[str, int]
    to_act_on: int
    expected_false: float
    """Of those to act on, how many are expected not to be worn after all."""
    share_tested: float | None
    never_tested: int


def fleet_numbers(verdicts: pl.DataFrame, as_of: datetime) -> FleetNumbers:
    """Return the numbers of ``verdicts`` (columns of ``fleetdb.trend.verdict.SCHEMA``)."""
    counted = dict(verdicts["state"].value_counts().iter_rows())
    acted = verdicts.filter(pl.col("state").is_in(_ACTED_ON))
    since = as_of.replace(tzinfo=None) - TESTED_WITHIN
    tested = verdicts.select((pl.col("last_test_at") > since).fill_null(False).sum()).item()
    return FleetNumbers(
        vehicles=len(verdicts),
        by_state={state.word: int(counted.get(state.word, 0)) for state in reversed(State)},
        to_act_on=len(acted),
        expected_false=float((1.0 - acted["probability_worn"]).sum()),
        share_tested=tested / len(verdicts) if len(verdicts) else None,
        never_tested=int(verdicts["last_test_at"].null_count()),
    )
