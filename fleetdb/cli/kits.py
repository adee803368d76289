"""`fleetdb kits`: which kits read off, by how much, since when."""

from __future__ import annotations

import json

import click
from rich.console import Console

from fleetdb.cli.as_of import told_moment
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.report.kit_list import kit_json, kit_standings, print_kits
from fleetdb.store.kits import list_kits
from fleetdb.warehouse.snapshot import open_snapshot


@click.command()
@click.option("--all", "every", is_flag=True, help="Those that read true as well.")
@click.option(
    "--format", "form", type=click.Choice(["table", "json"]), default="table", show_default=True
)
@pass_invocation
def kits(invocation: Invocation, every: bool, form: str) -> None:
    """List the kits that read off, by the verdicts last published.

    A kit is a gauge or adapter set; its bias is what it adds to every pressure it reads.
    """
    with invocation.open_fleet() as (store, fleet):
        snapshot = open_snapshot(invocation.settings.home, fleet.id)
        with snapshot.connection() as connection:
            judged = connection.sql("FROM kits").pl()
        as_of = snapshot.meta["as_of"]
        snapshot.close()
        with store.read() as session:
            standings = kit_standings(list_kits(session, fleet.id), judged)
    if form == "json":
        listed = [kit_json(kit) for kit in standings if every or kit.reads_off]
        click.echo(json.dumps({"as_of": as_of, "kits": listed}, indent=1))
        return
    console = Console()
    console.print(f"As of {told_moment(as_of)}.", highlight=False)
    print_kits(standings, console, every=every)
