"""The action list as a readable table: which vehicle, why, by when, how sure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fleetdb.cautions import CAUTIONS
from fleetdb.report.limit_dates import is_due_now, is_past
from fleetdb.report.verdict_list import URGENCY, to_act_on

ACTED_ON = ("stand_down", "book_in", "watch")
# A word and a shape, so that nothing hangs on colour.
SHAPES = {"stand_down": "■", "book_in": "▲", "watch": "◆", "sound": "●", "unproven": "○"}


def urgent_first(verdicts: pl.DataFrame) -> pl.DataFrame:
    """Return the verdicts to act on, most urgent first."""
    return verdicts.filter(pl.col("state").is_in(ACTED_ON)).sort(URGENCY, pl.col("vehicle"))


def print_action_list(verdicts: pl.DataFrame, console: Console, limit: int | None = None) -> None:
    """Print the first ``limit`` entries of the action list, and what is not shown.

    ``verdicts`` has the columns of ``fleetdb.trend.verdict.SCHEMA``.
    """
    listed = urgent_first(verdicts)
    shown = listed if limit is None else listed.head(limit)
    horizon = shown["horizon_days"].max() or 0.0
    table = Table(header_style="bold")
    table.add_column("vehicle\ndepot", overflow="fold", min_width=10)
    table.add_column("state", no_wrap=True)
    table.add_column("why", min_width=16)
    table.add_column("by when\n(10 % by)", no_wrap=True)
    table.add_column(f"how sure\n(in {horizon:.0f} d)", min_width=10)
    for row in shown.iter_rows(named=True):
        table.add_row(
            Text(f"{row['vehicle']}\n{row['depot'] or '-'}"),
            f"{SHAPES[row['state']]} {row['state']}",
            Text(row["reasons"]),
            by_when(row),
            f"{100 * row['probability_worn']:.0f} % worn\n"
            f"({100 * row['probability_below_limit']:.0f} % at limit)",
        )
    counts = {str(s): int(n) for s, n in verdicts["state"].value_counts().iter_rows()}
    acted, expected_false = to_act_on(verdicts)
    told = ", ".join(f"{counts[s]} {s}" for s in SHAPES if s in counts)
    console.print(f"{len(verdicts)} vehicles: {told or 'none'}.", highlight=False)
    if len(shown):
        console.print(table)
    if len(shown) < len(listed):
        console.print(f"{len(listed) - len(shown)} more not shown.", highlight=False)
    if acted:
        console.print(
            f"Of the {acted} to book in or stand down, about {expected_false:.1f} are "
            "expected not to be worn after all.",
            highlight=False,
        )
    for caution in CAUTIONS:
        console.print(caution, highlight=False)


def by_when(row: Mapping[str, Any]) -> str:
    """Return when a pump is at its limit: by even chances and, below, by one in ten."""
    early, middle = row["limit_date_p10"], row["limit_date_p50"]
    if is_due_now(row):
        return "now"
    if early is None:
        return "later"
    return f"{middle or 'later'}\n({'now' if is_past(early, row) else early})"
