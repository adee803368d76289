"""The scorecard in words and a table."""

from __future__ import annotations

from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fleetdb.trend.scorecard import LEAST_NOTICE, MOST_NOTICE, Calibration, Scorecard

_FAILURES = ("caught", "missed")
_CALLS = {
    "right": "right_calls",
    "its cause\nfound": "cause_found_calls",
    "false": "false_calls",
    "open": "open_calls",
}


def print_scorecard(card: Scorecard, console: Console) -> None:
    """Print what was caught, missed and called in vain, in all and by family and cause."""
    outcomes = card.calls_by_outcome()
    within = f"{LEAST_NOTICE.days} to {MOST_NOTICE.days} days"
    console.print(
        f"Pump failures on the road that a month end could have called: {len(card.failures)}; "
        f"called {within} ahead: {card.caught}, not called: {card.missed}.",
        highlight=False,
    )
    if card.notice_days is not None:
        notice = card.notice_days
        console.print(
            f"Notice: {notice.p50:.0f} days in the median, half of them {notice.p25:.0f} to "
            f"{notice.p75:.0f}.",
            highlight=False,
        )
    per_100 = card.false_per_100_pump_years or 0.0
    console.print(
        f"Calls to act: {len(card.calls)}; right {outcomes['right']}, false {outcomes['false']} "
        f"({per_100:.1f} per 100 pump-years), open {outcomes['open']}.",
        highlight=False,
    )
    if outcomes["right"]:
        console.print(
            f"Of the right calls, {card.causes_found} named the part that was found worn as the "
            "most likely cause.",
            highlight=False,
        )
    for column in ("pump_family", "leading_cause"):
        _print_groups(card.by(column), column, console)
    _print_calibration(card.calibration, console)


def _print_groups(groups: pl.DataFrame, column: str, console: Console) -> None:
    table = Table(header_style="bold")
    table.add_column(column.replace("_", " "), overflow="fold", min_width=10)
    for head in (*_FAILURES, "notice (d)\nmiddle half", *_CALLS):
        table.add_column(head, justify="right")
    for row in groups.iter_rows(named=True):
        name = row[column] or "not called"
        table.add_row(
            Text(name.replace("_", " ") if column == "leading_cause" else name),
            *(str(row[count] or 0) for count in _FAILURES),
            _notice(row),
            *(str(row[count] or 0) for count in _CALLS.values()),
        )
    console.print(table)


def _notice(row: dict[str, Any]) -> str:
    if row["notice_days_p50"] is None:
        return "-"
    return (
        f"{row['notice_days_p50']:.0f}\n"
        f"{row['notice_days_p25']:.0f} to {row['notice_days_p75']:.0f}"
    )


def _print_calibration(told: Calibration, console: Console) -> None:
    console.print(
        f"Probabilities of being below the limit within the horizon: {told.n} judged by later "
        f"tests and failures, {told.left_out} left out (no later test).",
        highlight=False,
    )
    if told.brier is None or told.brier_of_base_rate is None:
        return
    console.print(
        f"Brier score {told.brier:.4f}; stating the base rate of {told.base_rate:.3f} each time "
        f"would score {told.brier_of_base_rate:.4f} (smaller is better).",
        highlight=False,
    )
    table = Table(header_style="bold")
    for name in ("stated from", "stated mean", "observed", "month ends"):
        table.add_column(name, justify="right")
    for row in told.reliability.iter_rows(named=True):
        table.add_row(
            f"{row['tenth'] / 10:.1f}",
            f"{row['stated']:.2f}",
            f"{row['observed']:.2f}",
            str(row["n"]),
        )
    console.print(table)
    if told.interval_share is not None:
        console.print(
            f"Limit dates: {told.intervals_judged} "
            f"interval{'' if told.intervals_judged == 1 else 's'} of 80 % judged, "
            f"{100 * told.interval_share:.0f} % held the date; {told.intervals_too_early} times "
            f"the limit came earlier, {told.intervals_too_late} times not yet.",
            highlight=False,
        )
