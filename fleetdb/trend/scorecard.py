"""How well past month ends called it, judged by what workshops found and later tests said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa

from fleetdb.trend import queries
from fleetdb.trend.series import FINDINGS_LATE_DAYS, VISIT_DAYS

LEAST_NOTICE = timedelta(days=30)
MOST_NOTICE = timedelta(days=400)
_HINDSIGHT: dict[str, dict[str, int]] = {
    "family_settings": {},
    "scorecard_tested_months": {},
    "scorecard_crossings": {"late_days": FINDINGS_LATE_DAYS},
    "scorecard_outcomes": {},
}
"""What is kept in the connection, in order, with its parameters."""


@dataclass(frozen=True)
class Quartiles:
    """Lower quartile, median and upper quartile. [d]"""

    p25: float
    p50: float
    p75: float


@dataclass(frozen=True)
class Calibration:
    """Stated probabilities and limit dates against what came, as far as the fleet came to know.

    What counts as "was below the limit within the horizon" is defined in
    ``sql/scorecard_outcomes.sql``: a failure on the road, else the replayed estimate of
    month ends with later tests. Month ends without a later test are left out. It shows
    whether the engine agrees with its own hindsight, not with the truth: an error that no
    later test cures stays unseen, and since worn pumps tend to be taken out before the next
    test, more of the left out than of the counted were near their limit.
    """

    reliability: pl.DataFrame
    """tenth (0 to 9), n, stated (mean), observed (share); tenths without a month end left out."""
    n: int
    left_out: int
    base_rate: float | None
    """Share of counted month ends that were below the limit within the horizon. [-]"""
    brier: float | None
    """Mean square of stated less observed: the smaller the better. [-]"""
    brier_of_base_rate: float | None
    """The same had the base rate been stated each time. [-]"""
    intervals_judged: int
    intervals_covered: int
    intervals_too_early: int
    """The limit was reached before the interval began."""
    intervals_too_late: int
    """The limit was not reached within it."""

    @property
    def interval_share(self) -> float | None:
        """Share of 80 % limit-date intervals that held the date. [-]"""
        judged = self.intervals_judged
        return self.intervals_covered / judged if judged else None


@dataclass(frozen=True)
class Scorecard:
    """Calls against findings.

    ``failures`` and ``calls`` are the answers of ``sql/scorecard_failures.sql`` and
    ``sql/scorecard_calls.sql``. Findings are what workshops wrote down, so a failure nobody
    recorded is missing here and a worn pump nobody opened counts as a false call. A failure is
    the pump's; a call is answered by the pump or by the part it took for the cause.
    """

    failures: pl.DataFrame
    calls: pl.DataFrame
    pump_years: float
    calibration: Calibration

    @property
    def caught(self) -> int:
        return int(self.failures["caught"].sum())

    @property
    def missed(self) -> int:
        return len(self.failures) - self.caught

    @property
    def notice_days(self) -> Quartiles | None:
        """How long before the failure the first call came; None when none was caught."""
        notice = self.failures["notice_days"].drop_nulls().to_numpy()
        return Quartiles(*np.quantile(notice, [0.25, 0.5, 0.75]).tolist()) if len(notice) else None

    @property
    def false_per_100_pump_years(self) -> float | None:
        false = self.calls_by_outcome()["false"]
        return 100 * false / self.pump_years if self.pump_years else None

    def calls_by_outcome(self) -> dict[str, int]:
        """Return how many calls were right, false, or are open."""
        return {
            outcome: len(self.calls.filter(pl.col("outcome") == outcome))
            for outcome in ("right", "false", "open")
        }

    @property
    def causes_found(self) -> int:
        """Of the calls that were right, those whose leading cause was what was found worn."""
        return int(self.calls["cause_found"].sum())

    def by(self, column: str) -> pl.DataFrame:
        """Return caught, missed and calls by outcome for each ``pump_family`` or ``leading_cause``.

        ``cause_found_calls`` are the right calls that named the cause that was found.
        A missed failure has no leading cause; its row has none either.
        """
        failures = self.failures.group_by(column).agg(
            pl.col("caught").sum().alias("caught"),
            (~pl.col("caught")).sum().alias("missed"),
            *(
                pl.col("notice_days").quantile(share, "linear").alias(f"notice_days_{name}")
                for name, share in (("p25", 0.25), ("p50", 0.5), ("p75", 0.75))
            ),
        )
        calls = self.calls.group_by(column).agg(
            *(
                (pl.col("outcome") == outcome).sum().alias(f"{outcome}_calls")
                for outcome in ("right", "false", "open")
            ),
            pl.col("cause_found").sum().alias("cause_found_calls"),
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
    calls = queries.answer(
        connection,
        "scorecard_calls",
        most_notice_days=MOST_NOTICE.days,
        visit_days=VISIT_DAYS,
    )
    calibration = _calibration(connection)
    connection.unregister("verdicts")
    return Scorecard(
        failures=pl.DataFrame(failures),
        calls=pl.DataFrame(calls),
        pump_years=len(verdicts) / 12,
        calibration=calibration,
    )


def keep_hindsight(connection: duckdb.DuckDBPyConnection) -> None:
    """Keep what hindsight says of the ``verdicts`` in ``connection``."""
    for name, parameters in _HINDSIGHT.items():
        queries.keep(connection, name, **parameters)


def _calibration(connection: duckdb.DuckDBPyConnection) -> Calibration:
    keep_hindsight(connection)
    [brier] = queries.answer(connection, "scorecard_brier").to_pylist()
    [coverage] = queries.answer(connection, "scorecard_coverage").to_pylist()
    reliability = pl.DataFrame(queries.answer(connection, "scorecard_reliability"))
    for name in _HINDSIGHT:
        connection.execute(f"DROP TABLE {name}")
    return Calibration(
        reliability=reliability,
        **brier,
        **{f"intervals_{name}": count for name, count in coverage.items()},
    )
