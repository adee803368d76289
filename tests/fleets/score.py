"""Scores of verdicts at month ends against the truth of a generated fleet.

Definitions, all on the true delivery reserve (``Truth.reserve``):

gradual failure that could be seen
    A pump that failed on the road of wear alone (no contamination) and on which some
    accepted test, in time for the last month end at least 30 days ahead of the
    failure, was made with the reserve already below 1.15.
caught
    It stood at ``book_in`` or ``stand_down`` at some month end 30 to 400 days before.
episode
    A run of consecutive month ends of one pump at ``book_in`` or ``stand_down``.
false episode
    At its first month end the reserve was above 1.15, and no failure of the pump came
    within 400 days of it.
healthy vehicle-years
    Month ends of fitted pumps, a twelfth of a year each, with a reserve above 1.15 and
    no failure of the pump within the next 400 days.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from demo_fleet.truth import Truth

WORN_RESERVE = 1.15
NOTICE_DAYS = (30, 400)
BOOKED = ("book_in", "stand_down")
# A cause is judged where the figures were there to tell it.
FIGURES_WITHIN_DAYS = 120
CONTRACT_CAUSES = ("pump_wear", "injector_leak", "regulator_or_rail_leak", "supply_side")


@dataclass(frozen=True)
class Score:
    """What the verdicts were worth; the frames hold the rows behind the figures.

    ``failures``: pump_serial, vehicle, failed_at, caught, notice_days (of the first such
    month end). ``episodes``: vehicle, pump_serial, as_of, months, reserve, cause (true),
    false. ``causes``: true cause, said cause, len. ``calibration``: tenth (0 to 9), n,
    stated, observed.
    """

    seen: int
    caught: int
    false_episodes: int
    healthy_vehicle_years: float
    cause_right: int
    cause_judged: int
    brier: float | None
    brier_of_base_rate: float | None
    interval_judged: int
    interval_covered: int
    failures: pl.DataFrame
    episodes: pl.DataFrame
    causes: pl.DataFrame
    calibration: pl.DataFrame

    @property
    def caught_share(self) -> float:
        return self.caught / self.seen if self.seen else float("nan")

    @property
    def false_per_100_vehicle_years(self) -> float:
        years = self.healthy_vehicle_years
        return 100 * self.false_episodes / years if years else float("nan")

    @property
    def cause_share(self) -> float:
        return self.cause_right / self.cause_judged if self.cause_judged else float("nan")

    @property
    def interval_share(self) -> float:
        judged = self.interval_judged
        return self.interval_covered / judged if judged else float("nan")

    def summary(self) -> str:
        """Return the figures on one line."""
        return (
            f"caught {self.caught_share:.3f} ({self.caught}/{self.seen}), "
            f"false {self.false_per_100_vehicle_years:.2f} per 100 healthy vehicle-years "
            f"({self.false_episodes}/{self.healthy_vehicle_years:.0f}), "
            f"cause {self.cause_share:.2f} ({self.cause_judged}), "
            f"80 % interval {self.interval_share:.2f} ({self.interval_judged})"
        )


def score(
    verdicts: pl.DataFrame, truth: Truth, cause_names: Mapping[str, str] | None = None
) -> Score:
    """Compare ``verdicts`` at month ends with ``truth``.

    ``verdicts`` has as_of (a date or a UTC time, text or not: the month end it belongs
    to is found), vehicle, pump_serial and state; with leading_cause,
    probability_below_limit and horizon_days, limit_date_p10 and limit_date_p90 those
    are judged too. ``cause_names`` turns the verdicts' words for causes into the
    truth's. Verdicts of pumps not fitted at the month end are left out.
    """
    said = _at_month_ends(verdicts)
    months = truth.reserve.join(
        truth.pumps.select("pump_serial", "failed_at", "removed_at", "gradual"), on="pump_serial"
    ).join(said, on=["vehicle", "pump_serial", "as_of"], how="left")
    months = months.with_columns(
        until=_end_of("as_of"),
        booked=pl.col("state").is_in(BOOKED).fill_null(value=False),
    ).with_columns(
        days_to_failure=(pl.col("failed_at") - pl.col("until")).dt.total_seconds() / 86_400
    )
    failures = _failures(months, truth)
    episodes = _episodes(months)
    healthy = months.filter(
        (pl.col("reserve") > WORN_RESERVE)
        & (pl.col("days_to_failure").is_null() | (pl.col("days_to_failure") > NOTICE_DAYS[1]))
    )
    causes = _causes(episodes, truth, cause_names or {})
    calibration, brier, brier_of_base_rate = _calibration(months, truth)
    judged, covered = _intervals(months, truth)
    return Score(
        seen=failures.height,
        caught=int(failures["caught"].sum()),
        false_episodes=int(episodes["false"].sum()),
        healthy_vehicle_years=healthy.height / 12,
        cause_right=int(causes.filter(pl.col("cause") == pl.col("said"))["len"].sum()),
        cause_judged=int(causes["len"].sum()),
        brier=brier,
        brier_of_base_rate=brier_of_base_rate,
        interval_judged=judged,
        interval_covered=covered,
        failures=failures,
        episodes=episodes,
        causes=causes,
        calibration=calibration,
    )


def _end_of(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.Datetime("us")) + timedelta(days=1)


def as_time(column: str, dtype: pl.DataType) -> pl.Expr:
    value = pl.col(column)
    if dtype == pl.String:
        value = value.str.slice(0, 10).str.to_date()
    elif isinstance(dtype, pl.Datetime) and dtype.time_zone is not None:
        value = value.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    return value.cast(pl.Datetime("us"))


def _at_month_ends(verdicts: pl.DataFrame) -> pl.DataFrame:
    # A verdict as of the first of a month at 00:00 is that of the month before.
    as_of = as_time("as_of", verdicts.schema["as_of"]) - timedelta(microseconds=1)
    said = verdicts.with_columns(as_of=as_of.dt.date().dt.month_end())
    wanted = (
        "as_of", "vehicle", "pump_serial", "state", "leading_cause", "probability_below_limit",
        "horizon_days", "limit_date_p10", "limit_date_p90",
    )  # fmt: skip
    return said.select([name for name in wanted if name in said.columns]).unique(
        ["as_of", "vehicle", "pump_serial"]
    )


def _failures(months: pl.DataFrame, truth: Truth) -> pl.DataFrame:
    first, last = NOTICE_DAYS
    in_time = months.filter(pl.col("gradual") & (pl.col("days_to_failure") >= first))
    last_chance = in_time.group_by("pump_serial").agg(pl.col("until").max())
    accepted = truth.lines.filter(pl.col("expected") == "accepted")
    worn_tests = truth.tests.filter(pl.col("reserve") < WORN_RESERVE).join(
        accepted, on="record_id", how="semi"
    )
    seen = worn_tests.join(last_chance, on="pump_serial").filter(
        pl.col("performed_at") < pl.col("until")
    )
    booked = (
        in_time.filter(pl.col("booked") & (pl.col("days_to_failure") <= last))
        .group_by("pump_serial")
        .agg(notice_days=pl.col("days_to_failure").max())
    )
    return (
        truth.pumps.filter(pl.col("gradual"))
        .join(seen, on="pump_serial", how="semi")
        .join(booked, on="pump_serial", how="left")
        .select(
            "pump_serial",
            "vehicle",
            "failed_at",
            "wear_law",
            "notice_days",
            caught=pl.col("notice_days").is_not_null(),
        )
        .sort("vehicle", "failed_at")
    )


def _episodes(months: pl.DataFrame) -> pl.DataFrame:
    ordered = months.sort("pump_serial", "as_of")
    before = pl.col("booked").shift(1).over("pump_serial").fill_null(value=False)
    numbered = ordered.with_columns(starts=pl.col("booked") & ~before).with_columns(
        episode=pl.col("starts").cum_sum().over("pump_serial")
    )
    said = [name for name in ("leading_cause",) if name in months.columns]
    no_failure = pl.col("days_to_failure").is_null() | (pl.col("days_to_failure") > NOTICE_DAYS[1])
    return (
        numbered.filter(pl.col("booked"))
        .with_columns(months=pl.len().over("pump_serial", "episode"))
        .filter(pl.col("starts"))
        .select(
            "vehicle",
            "pump_serial",
            "as_of",
            "months",
            "reserve",
            "cause",
            "days_to_failure",
            *said,
            false=(pl.col("reserve") > WORN_RESERVE) & no_failure,
        )
    )


def _causes(episodes: pl.DataFrame, truth: Truth, cause_names: Mapping[str, str]) -> pl.DataFrame:
    """Count true against said causes at the start of episodes whose figures could tell."""
    if "leading_cause" not in episodes.columns:
        return pl.DataFrame(schema={"cause": pl.String, "said": pl.String, "len": pl.UInt32})
    figures = (
        truth.tests.filter(pl.col("has_build") & pl.col("has_leak"))
        .select("pump_serial", "performed_at")
        .sort("performed_at")
    )
    told = (
        episodes.filter(~pl.col("false") & pl.col("cause").is_in(CONTRACT_CAUSES))
        .with_columns(until=_end_of("as_of"))
        .sort("until")
        .join_asof(
            figures,
            left_on="until",
            right_on="performed_at",
            by="pump_serial",
            tolerance=timedelta(days=FIGURES_WITHIN_DAYS),
            check_sortedness=False,
        )
        .filter(pl.col("performed_at").is_not_null())
    )
    said = pl.col("leading_cause").replace(dict(cause_names)).fill_null("none")
    return told.group_by("cause", said.alias("said")).len().sort("cause", "said")


def _calibration(
    months: pl.DataFrame, truth: Truth
) -> tuple[pl.DataFrame, float | None, float | None]:
    """Group stated probabilities by tenth; only verdicts whose outcome is known count.

    The outcome is known when the pump was below the limit by the end of the horizon,
    or was watched (fitted, within the history) to that end.
    """
    if "probability_below_limit" not in months.columns:
        return pl.DataFrame(), None, None
    stated = months.filter(pl.col("probability_below_limit").is_not_null()).with_columns(
        horizon_ends=pl.col("until") + pl.duration(days=pl.col("horizon_days")),
        watched_until=pl.min_horizontal(
            pl.col("removed_at"), pl.lit(months["until"].max(), dtype=pl.Datetime("us"))
        ),
    )
    below = (
        stated.select("pump_serial", "as_of", "until", "horizon_ends")
        .join(truth.below_limit.select("pump_serial", "from_at", "to_at"), on="pump_serial")
        .filter(
            (pl.col("from_at") <= pl.col("horizon_ends")) & (pl.col("to_at") >= pl.col("until"))
        )
        .select("pump_serial", "as_of", below=pl.lit(1.0))
        .unique()
    )
    known = (
        stated.join(below, on=["pump_serial", "as_of"], how="left")
        .with_columns(pl.col("below").fill_null(0.0))
        .filter((pl.col("below") == 1) | (pl.col("horizon_ends") <= pl.col("watched_until")))
    )
    if known.is_empty():
        return pl.DataFrame(), None, None
    tenth = (pl.col("probability_below_limit") * 10).floor().clip(0, 9).cast(pl.Int64)
    table = (
        known.group_by(tenth.alias("tenth"))
        .agg(
            n=pl.len(),
            stated=pl.col("probability_below_limit").mean(),
            observed=pl.col("below").mean(),
        )
        .sort("tenth")
    )
    outcome, probability = known["below"].to_numpy(), known["probability_below_limit"].to_numpy()
    base = float(outcome.mean())
    return table, float(((probability - outcome) ** 2).mean()), base * (1 - base)


def _intervals(months: pl.DataFrame, truth: Truth) -> tuple[int, int]:
    """Count verdicts with a limit-date interval whose outcome is known, and those covered.

    Only pumps above the limit at the time count. Known is: the limit was reached in
    the history, or the interval's end passed (pump still fitted) without it.
    """
    if not {"limit_date_p10", "limit_date_p90"} <= set(months.columns):
        return 0, 0
    with_interval = months.filter(pl.col("limit_date_p10").is_not_null())
    crossings = truth.below_limit.select("pump_serial", "from_at").sort("from_at")
    now_below = (
        with_interval.select("pump_serial", "as_of", "until")
        .join(truth.below_limit, on="pump_serial")
        .filter((pl.col("from_at") <= pl.col("until")) & (pl.col("to_at") >= pl.col("until")))
    )
    end = pl.lit(months["until"].max(), dtype=pl.Datetime("us"))
    judged = (
        with_interval.join(now_below, on=["pump_serial", "as_of"], how="anti")
        .with_columns(
            p10=as_time("limit_date_p10", months.schema["limit_date_p10"]),
            p90=as_time("limit_date_p90", months.schema["limit_date_p90"]),
            watched_until=pl.min_horizontal(pl.col("removed_at"), end),
        )
        .sort("until")
        .join_asof(
            crossings,
            left_on="until",
            right_on="from_at",
            by="pump_serial",
            strategy="forward",
            check_sortedness=False,
        )
        .filter(pl.col("from_at").is_not_null() | (pl.col("p90") < pl.col("watched_until")))
    )
    covered = judged.filter(
        (pl.col("from_at") >= pl.col("p10"))
        & (pl.col("p90").is_null() | (pl.col("from_at") <= pl.col("p90") + timedelta(days=1)))
    )
    return judged.height, covered.height
