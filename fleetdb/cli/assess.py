"""`fleetdb assess`: every pump's verdict at a date."""

from __future__ import annotations

import io
import sys
from datetime import datetime
from pathlib import Path

import click
import polars as pl
from rich.console import Console

from fleetdb.cli.as_of import end_of_day
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.cli.progress import row_counter
from fleetdb.report.action_list import print_action_list
from fleetdb.report.verdict_files import WRITERS
from fleetdb.trend.refresh import assess_at, refresh
from fleetdb.warehouse.snapshot import open_snapshot


@click.command()
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="See only what was known at the end of this day (UTC). Default: now, and published.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", *WRITERS]),
    default="table",
    show_default=True,
)
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="File; default: standard output."
)
@pass_invocation
def assess(invocation: Invocation, as_of: datetime | None, form: str, out: Path | None) -> None:
    """Work out every pump's verdict and print the action list, most urgent first.

    Without --as-of the verdicts are published for the server too.
    """
    with invocation.open_fleet() as (store, fleet):
        home = invocation.settings.home
        with row_counter() as progress:
            if as_of is None:
                refresh(store, fleet.id, home, force=True, progress=progress)
                snapshot = open_snapshot(home, fleet.id)
                with snapshot.connection() as connection:
                    verdicts = connection.sql("FROM verdicts").pl()
                snapshot.close()
            else:
                moment = end_of_day(as_of)
                verdicts = pl.DataFrame(assess_at(store, fleet.id, home, moment, progress).verdicts)
    if verdicts.is_empty():
        click.echo("no vehicles yet: they come with `fleetdb load` or over REST", err=True)
    if form == "table" and out is None:
        print_action_list(verdicts, Console())
        return
    if form == "parquet" and out is None and sys.stdout.isatty():
        raise click.UsageError("Parquet is not text: name a file with --out")
    if out is None:
        whole = io.BytesIO()
        WRITERS[form](verdicts, whole)
        sys.stdout.buffer.write(whole.getbuffer())
        sys.stdout.buffer.flush()
        return
    if form == "table":
        with out.open("w", encoding="utf-8") as file:
            print_action_list(verdicts, Console(file=file, width=160))
    else:
        WRITERS[form](verdicts, out)
    click.echo(f"{len(verdicts):,} verdicts are in {out}", err=True)
