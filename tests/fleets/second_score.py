"""Score the engine on fleets of the second generator: a command, not part of the suite.

    uv run python -m tests.fleets.second_score plain --vehicles 600 --seed 1 --workers 2

Loads the fleet into a database and a mirror of its own in a temporary folder, replays every
month end from the second year on, and prints the figures ``tests.fleets.score`` defines, for
scale beside those of a spreadsheet's rule. ``all`` stands for every kind. ``--workers``
processes share out the half-years of the replay; constants are learnt anew at the beginning
of each, so that the verdicts are the same.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import groupby, pairwise
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from demo_fleet.generate import Fleet
from demo_fleet.truth import Truth
from fleetdb.trend.backtest import month_ends, replay
from fleetdb.warehouse.views import open_mirror
from tests.fleets.rules import last_raw_ratio_below
from tests.fleets.score import Score, score
from tests.fleets.second.generate import generate
from tests.fleets.second.kinds import KINDS, Kind
from tests.loaded_fleets import Loaded, load_fleet

RULE_RATIO = 0.80
# The first year is for learning: no fleet has a history on its first day.
SKIPPED_YEARS = 1
KIT_OFF = 0.03
NEARLY_WORN = 1.25


@dataclass(frozen=True)
class Judged:
    """What the verdicts were worth, and the rule's; seconds by step.

    ``false_after``: false episodes by what was odd of the pump's last test before.
    """

    verdicts: Score
    rule: Score
    false_after: dict[str, int]
    took_s: dict[str, float]


def judge(kind: str | Kind, *, vehicles: int, seed: int, folder: Path, workers: int = 1) -> Judged:
    """Generate, load and replay a fleet below ``folder``, and score it."""
    clock_s = [time.perf_counter()]
    fleet = generate(kind, vehicles=vehicles, seed=seed)
    clock_s.append(time.perf_counter())
    loaded = load_fleet(fleet, folder)
    clock_s.append(time.perf_counter())
    first, last = _replayed(fleet)
    moments = month_ends((first.year, first.month), (last.year, last.month))
    said = _replay(loaded, moments, workers)
    clock_s.append(time.perf_counter())
    truth = replace(fleet.truth, reserve=fleet.truth.reserve.filter(pl.col("as_of") >= first))
    steps = zip(("generated", "loaded", "replayed"), pairwise(clock_s), strict=True)
    verdicts = score(said, truth)
    return Judged(
        verdicts,
        score(last_raw_ratio_below(fleet, RULE_RATIO), truth),
        false_after(verdicts, truth),
        {step: until - since for step, (since, until) in steps},
    )


def _replayed(fleet: Fleet) -> tuple[date, date]:
    months = fleet.truth.reserve["as_of"].unique().sort().to_list()
    return months[12 * SKIPPED_YEARS], months[-1]


def _replay(loaded: Loaded, moments: list[datetime], workers: int) -> pl.DataFrame:
    shares = [
        list(share) for _, share in groupby(moments, lambda at: (at.year, (at.month - 1) // 6))
    ]
    if workers == 1:
        with loaded.mirror() as connection:
            return pl.DataFrame(replay(connection, moments))
    # Not forked: what DuckDB and Numba have running does not survive that.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        homes = [loaded.settings.home] * len(shares)
        # The latest half-years take longest, so they go first.
        parts = pool.map(_replay_share, homes, [loaded.fleet_id] * len(shares), shares[::-1])
        return pl.concat(list(parts)[::-1])


def _replay_share(home: Path, fleet_id: int, moments: list[datetime]) -> pl.DataFrame:
    with open_mirror(home, fleet_id) as connection:
        return pl.DataFrame(replay(connection, moments))


def false_after(told: Score, truth: Truth) -> dict[str, int]:
    """Count false episodes by the first of these that holds of the pump's last test before."""
    tests = truth.tests.join(truth.lines.select("record_id", "slip"), on="record_id")
    last = (
        told.episodes.filter("false")
        .with_columns(until=pl.col("as_of").cast(pl.Datetime("us")) + timedelta(days=1))
        .sort("until")
        .join_asof(
            tests.select("pump_serial", "performed_at", "slip", "botch", "kit_bias").sort(
                "performed_at"
            ),
            left_on="until",
            right_on="performed_at",
            by="pump_serial",
            check_sortedness=False,
        )
    )
    why = (
        pl.when(pl.col("slip").is_not_null())
        .then(pl.lit("slip of units"))
        .when(pl.col("botch") > 0)
        .then(pl.lit("botched run"))
        .when(pl.col("kit_bias").abs() >= KIT_OFF)
        .then(pl.lit(f"kit {KIT_OFF:.0%} off or more"))
        .when(pl.col("reserve") < NEARLY_WORN)
        .then(pl.lit(f"nothing odd, reserve below {NEARLY_WORN}"))
        .otherwise(pl.lit("nothing odd"))
    )
    return dict(last.group_by(why.alias("why")).len().sort("len", descending=True).iter_rows())


def report(name: str, judged: Judged) -> str:
    """Return the figures as lines of text."""
    told = judged.verdicts
    lines = [
        f"{name}",
        f"  verdicts   {told.summary()}",
        f"  last raw ratio below {RULE_RATIO}: caught {judged.rule.caught_share:.3f}, "
        f"false {judged.rule.false_per_100_vehicle_years:.2f}",
    ]
    lines += [f"    false after {why}: {n}" for why, n in judged.false_after.items()]
    if told.brier is not None:
        lines.append(f"  Brier      {told.brier:.4f} (base rate's {told.brier_of_base_rate:.4f})")
    lines.append("  below limit within the horizon, by tenths: stated / observed (verdicts)")
    lines += [
        f"    {row['tenth'] / 10:.1f}   {row['stated']:.3f} / {row['observed']:.3f}   ({row['n']})"
        for row in told.calibration.iter_rows(named=True)
    ]
    lines.append("  true cause / said (booked episodes with build and leak figures)")
    lines += [
        f"    {row['cause']} / {row['said']}   ({row['len']})"
        for row in told.causes.iter_rows(named=True)
    ]
    took = ", ".join(f"{step} in {seconds:.1f} s" for step, seconds in judged.took_s.items())
    return "\n".join([*lines, f"  {took}"])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kind", choices=[*KINDS, "all"])
    parser.add_argument("--vehicles", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="processes that replay")
    given = parser.parse_args()
    for name in KINDS if given.kind == "all" else [given.kind]:
        with TemporaryDirectory(prefix="fleetdb-second-") as folder:
            judged = judge(
                name,
                vehicles=given.vehicles,
                seed=given.seed,
                folder=Path(folder),
                workers=given.workers,
            )
        print(report(f"{name}, {given.vehicles} vehicles, seed {given.seed}", judged), flush=True)


if __name__ == "__main__":
    main()
