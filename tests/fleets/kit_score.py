"""Score of the kits named as reading off, at month ends, against the truth.

true step
    A kit's reading shifted by 4 % or more at once, leaving it at least 3 % off, and
    nothing else happened to the kit for 60 days (it was not calibrated, say). Only steps from a
    month before the first month end said to 60 days before the last.
named in time
    The kit was said to read off at some month end within 60 days of the step.
good kit
    A kit and month end at which its true bias was below 2 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from demo_fleet.truth import Truth
from tests.fleets.score import as_time

STEP = 0.04
OFF = 0.03
GOOD = 0.02
NAMED_WITHIN = timedelta(days=60)


@dataclass(frozen=True)
class KitScore:
    """Counts; ``steps`` (kit, at, size, named) holds the rows behind them."""

    good: int
    good_named: int
    steps: pl.DataFrame

    @property
    def named_share(self) -> float:
        """Share of true steps named in time."""
        return self.steps["named"].sum() / self.steps.height if self.steps.height else float("nan")

    @property
    def good_named_share(self) -> float:
        """Share of good kits named."""
        return self.good_named / self.good if self.good else float("nan")


def score_kits(said: pl.DataFrame, truth: Truth) -> KitScore:
    """Compare what was ``said`` (as_of, kit, reads_off; one row per kit and month end) with truth.

    Kits that nothing was said of count as not named.
    """
    when = as_time("as_of", said.schema["as_of"]) - timedelta(microseconds=1)
    said = said.select("kit", "reads_off", as_of=when.dt.date().dt.month_end())
    named = said.filter(pl.col("reads_off"))
    good = truth.kits.filter(pl.col("bias").abs() < GOOD).join(
        said.select("as_of").unique(), on="as_of", how="semi"
    )
    return KitScore(
        good=good.height,
        good_named=good.join(named, on=["kit", "as_of"], how="semi").height,
        steps=_steps(truth, said).join(
            _named_in_time(truth, named), on=["kit", "at"], how="left"
        ).with_columns(pl.col("named").fill_null(value=False)),
    )  # fmt: skip


def _steps(truth: Truth, said: pl.DataFrame) -> pl.DataFrame:
    first_said, last_said = (
        pl.lit(end, dtype=pl.Date).cast(pl.Datetime("us"))
        for end in (said["as_of"].min(), said["as_of"].max())
    )
    following = truth.kit_events.sort("kit", "at").with_columns(
        next_at=pl.col("at").shift(-1).over("kit")
    )
    alone = pl.col("next_at").is_null() | (pl.col("next_at") > pl.col("at") + NAMED_WITHIN)
    steps = following.filter(
        (pl.col("kind") == "step")
        & (pl.col("size").abs() >= STEP)
        & alone
        & (pl.col("at") >= first_said - timedelta(days=31))
        & (pl.col("at") + NAMED_WITHIN <= last_said)
    )
    after = steps.with_columns(as_of=pl.col("at").dt.date().dt.month_end()).join(
        truth.kits, on=["kit", "as_of"]
    )
    return after.filter(pl.col("bias").abs() >= OFF).select("kit", "at", "size")


def _named_in_time(truth: Truth, named: pl.DataFrame) -> pl.DataFrame:
    until = pl.col("as_of").cast(pl.Datetime("us")) + timedelta(days=1)
    return (
        truth.kit_events.filter(pl.col("kind") == "step")
        .join(named, on="kit")
        .filter((until > pl.col("at")) & (until <= pl.col("at") + NAMED_WITHIN))
        .select("kit", "at", named=pl.lit(value=True))
        .unique()
    )
