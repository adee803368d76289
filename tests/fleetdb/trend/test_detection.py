"""On fleets of two kinds, verdicts at month ends beat what a spreadsheet would say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from demo_fleet.generate import generate
from fleetdb.trend.backtest import month_ends, replay
from tests.fleets.rules import last_raw_ratio_below
from tests.fleets.score import Score, score
from tests.fleets.variants import variant
from tests.loaded_fleets import load_fleet

RULE_RATIO = 0.80
KINDS = {"defaults": 3, "low_margin_fast_wear": 4}


def scores(name: str, seed: int, folder: Path) -> tuple[Score, Score]:
    """Return the score of the verdicts and of the rule over the last two of three years."""
    fleet = generate(variant(name, vehicles=150, years=3.0, seed=seed))
    reserve = fleet.truth.reserve
    last: date = reserve["as_of"].max()  # pyright: ignore[reportAssignmentType]
    first = last.replace(year=last.year - 2) + timedelta(days=1)
    truth = replace(fleet.truth, reserve=reserve.filter(pl.col("as_of") >= first))
    with load_fleet(fleet, folder).mirror() as connection:
        moments = month_ends((first.year, first.month), (last.year, last.month))
        said = pl.DataFrame(replay(connection, moments))
    return score(said, truth), score(last_raw_ratio_below(fleet, RULE_RATIO), truth)


def test_verdicts_catch_more_and_call_less_in_vain_than_the_last_raw_ratio(tmp_path: Path) -> None:
    scored = [scores(name, seed, tmp_path / name) for name, seed in KINDS.items()]

    figures = "\n".join(f"verdicts: {v.summary()}\nrule: {r.summary()}" for v, r in scored)
    for verdicts, rule in scored:
        assert verdicts.false_per_100_vehicle_years < rule.false_per_100_vehicle_years, figures
        assert verdicts.cause_share > 0.5, figures
    # A dozen failures a fleet are too few for a share each: both fleets' are counted together.
    assert sum(rule.seen for _, rule in scored) >= 20
    assert sum(v.caught for v, _ in scored) > sum(rule.caught for _, rule in scored), figures
