"""Month ends 30 days apart and what hindsight makes of them, for the scorecard's queries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Any

import duckdb
import polars as pl

from fleetdb.trend.scorecard import keep_hindsight
from tests.fleetdb.trend.said import verdicts
from tests.fleetdb.trend.small_tables import FAMILY, Row, connect, day

LIMIT = FAMILY["proof_ratio_limit"]


def month_ends(
    reserves: Sequence[float | None],
    tested: Sequence[bool] | None = None,
    stated: Sequence[float] | None = None,
    p10: Sequence[date | None] | None = None,
    p90: Sequence[date | None] | None = None,
    **options: Any,
) -> pl.DataFrame:
    """Return verdicts at days 0, 30, 60, ..., each with a test on its day unless told otherwise."""
    days = range(0, 30 * len(reserves), 30)
    tested = tested or [True] * len(reserves)
    blank = [None] * len(reserves)
    return verdicts(
        dict.fromkeys(days, "sound"),
        delivery_reserve=list(reserves),
        last_test_at=[day(at) if t else day(-400) for at, t in zip(days, tested, strict=True)],
        probability_below_limit=list(stated or [0.5] * len(reserves)),
        limit_date_p10=list(p10 or blank),
        limit_date_p90=list(p90 or blank),
        **options,
    )


@contextmanager
def seen_later(
    said: pl.DataFrame, *findings: Row, families: Sequence[Row] = (FAMILY,)
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Give a connection in which what the scorecard keeps has been worked out."""
    with connect(findings=findings, pump_families=families) as connection:
        connection.register("verdicts", said.to_arrow())
        keep_hindsight(connection)
        yield connection


def on(number: float) -> date:
    return day(number).date()
