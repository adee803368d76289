"""How well past month ends called it, judged by what workshops found."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import duckdb
import polars as pl
import pyarrow as pa

from fleetdb.trend import queries

LEAST_NOTICE = timedelta(days=30)
MOST_NOTICE = timedelta(days=400)


@dataclass(frozen=True)
class Scorecard:
    """Calls against findings.

    ``failures`` and ``calls`` are the answers of ``sql/scorecard_failures.sql`` and
    ``sql/scorecard_calls.sql``. Findings are what workshops wrote down, so a failure nobody
    recorded is missing here and a worn pump nobody opened counts as a false call.
    """

    failures: pl.DataFrame
    calls: pl.DataFrame
    pump_years: float

    @property
    def caught(self) -> int:
        return int(self.failures["caught"].sum())

    @property
    def missed(self) -> int:
        return len(self.failures) - self.caught

    @property
    def median_notice_days(self) -> float | None:
        notice = self.failures["notice_days"].drop_nulls()
        return float(notice.median()) if len(notice) else None  # pyright: ignore[reportArgumentType]

    def calls_by_outcome(self) -> dict[str, int]:
        """Return how many calls were right, false, or are open."""
        return {
            outcome: len(self.calls.filter(pl.col("outcome") == outcome))
            for outcome in ("right", "false", "open")
        }

    def by(self, column: str) -> pl.DataFrame:
        """Return caught, missed and calls by outcome for each ``pump_family`` or ``leading_cause``.

        A missed failure has no leading cause; its row has none either.
        """
        failures = self.failures.group_by(column).agg(
            pl.col("caught").sum().alias("caught"),
            (~pl.col("caught")).sum().alias("missed"),
            pl.col("notice_days").median().alias("median_notice_days"),
        )
        calls = self.calls.group_by(column).agg(
            (pl.col("outcome") == outcome).sum().alias(f"{outcome}_calls")
            for outcome in ("right", "false", "open")
        )
        return failures.join(calls, on=column, how="full", coalesce=True, nulls_equal=True).sort(
            column
        )


def scorecard(connection: duckdb.DuckDBPyConnection, verdicts: pa.Table) -> Scorecard:
    """Judge ``verdicts`` of successive month ends by the findings in ``connection``."""
    connection.register("verdicts", verdicts)
    failures = queries.answer(
        connection,
        "scorecard_failures",
        least_notice_days=LEAST_NOTICE.days,
        most_notice_days=MOST_NOTICE.days,
    )
    calls = queries.answer(connection, "scorecard_calls", most_notice_days=MOST_NOTICE.days)
    connection.unregister("verdicts")
    return Scorecard(
        failures=pl.DataFrame(failures), calls=pl.DataFrame(calls), pump_years=len(verdicts) / 12
    )
