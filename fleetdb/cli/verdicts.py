"""`fleetdb verdicts`: the published action list, or one vehicle's verdict."""

from __future__ import annotations

from datetime import datetime

import click
import polars as pl
from rich.console import Console

from fleetdb.cli.as_of import end_of_day, told_moment
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.report.action_list import print_action_list
from fleetdb.report.verdict_text import print_verdict
from fleetdb.trend.one_vehicle import current_verdict
from fleetdb.trend.states import State
from fleetdb.warehouse.snapshot import open_snapshot


@click.command()
@click.argument("vehicle", required=False)
@click.option("--state", "states", multiple=True, type=click.Choice([s.word for s in State]))
@click.option("--depot", "depots", multiple=True, help="Only this depot; may be repeated.")
@click.option("--limit", type=click.IntRange(min=1), help="At most so many entries.")
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="With VEHICLE: see only what was known at the end of this day (UTC).",
)
@pass_invocation
def verdicts(
    invocation: Invocation,
    vehicle: str | None,
    states: tuple[str, ...],
    depots: tuple[str, ...],
    limit: int | None,
    as_of: datetime | None,
) -> None:
    """Show the action list last published or, with VEHICLE, how that pump stands now."""
    console = Console()
    with invocation.open_fleet() as (store, fleet):
        home = invocation.settings.home
        if vehicle is not None:
            moment = end_of_day(as_of) if as_of else None
            row = current_verdict(store, invocation.settings, fleet.id, vehicle, moment)
            print_verdict(vehicle, row, console)
            return
        if as_of is not None:
            raise click.UsageError("--as-of goes with VEHICLE; for the fleet use fleetdb assess")
        snapshot = open_snapshot(home, fleet.id)
        with snapshot.connection() as connection:
            table = connection.sql("FROM verdicts").pl()
        as_of_text = snapshot.meta["as_of"]
        snapshot.close()
    nowhere = sorted({*depots} - {*table["depot"].drop_nulls()})
    if nowhere:
        raise click.UsageError(f"no vehicle is at depot {nowhere[0]!r}")
    if states:
        table = table.filter(pl.col("state").is_in(states))
    if depots:
        table = table.filter(pl.col("depot").is_in(depots))
    console.print(f"As of {told_moment(as_of_text)}.", highlight=False)
    print_action_list(table, console, limit)
