"""One verdict, spelt out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console

from fleetdb.cautions import CAUTIONS
from fleetdb.report.limit_dates import limit_in_words


def print_verdict(vehicle: str, row: Mapping[str, Any] | None, console: Console) -> None:
    """Print the verdict ``row`` (columns of ``fleetdb.trend.verdict.SCHEMA``) on ``vehicle``."""
    if row is None:
        console.print(f"{vehicle} was not in service yet.", highlight=False, markup=False)
        return
    lines = [
        f"{vehicle}, pump {row['pump_serial'] or 'without a serial'}, "
        f"fitted {row['fitted_at']:%Y-%m-%d}, as of {row['as_of']:%Y-%m-%d}: {row['state']}",
        *(f"  - {reason}" for reason in row["reasons"].split("; ")),
    ]
    if row["n_tests"]:
        lines.append(
            f"  {100 * row['probability_worn']:.0f} % worn or soon to be; "
            f"{100 * row['probability_below_limit']:.0f} % below the limit within "
            f"{row['horizon_days']:.0f} days"
        )
    limit = limit_in_words(row)
    if limit is not None:
        lines.append(f"  {limit}")
    lines += [row["advice"], *CAUTIONS]
    for line in lines:
        console.print(line, highlight=False, markup=False)
