"""The scorecard in words and a table."""

from __future__ import annotations

import polars as pl
from rich.console import Console
from rich.table import Table

from fleetdb.trend.scorecard import LEAST_NOTICE, MOST_NOTICE, Scorecard


def print_scorecard(card: Scorecard, console: Console) -> None:
    """Print what was caught, missed and called in vain, in all and by family and cause."""
    outcomes = card.calls_by_outcome()
    within = f"{LEAST_NOTICE.days} to {MOST_NOTICE.days} days"
    console.print(
        f"Pump failures on the road that a month end could have called: {len(card.failures)}; "
        f"called {within} ahead: {card.caught}, not called: {card.missed}.",
        highlight=False,
    )
    if card.median_notice_days is not None:
        console.print(f"Median notice: {card.median_notice_days:.0f} days.", highlight=False)
    per_100 = 100 * outcomes["false"] / card.pump_years if card.pump_years else 0.0
    console.print(
        f"Calls to act: {len(card.calls)}; right {outcomes['right']}, false {outcomes['false']} "
        f"({per_100:.1f} per 100 pump-years), open {outcomes['open']}.",
        highlight=False,
    )
    for column in ("pump_family", "leading_cause"):
        _print_groups(card.by(column), column, console)


def _print_groups(groups: pl.DataFrame, column: str, console: Console) -> None:
    table = Table(header_style="bold")
    table.add_column(column.replace("_", " "))
    for name in groups.columns[1:]:
        table.add_column(name.replace("_", " "), justify="right")
    for row in groups.iter_rows():
        table.add_row(row[0] or "-", *("-" if v is None else f"{v:.0f}" for v in row[1:]))
    console.print(table)
