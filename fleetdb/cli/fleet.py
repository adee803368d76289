"""``fleetdb fleet``: add and list fleets."""

from __future__ import annotations

import click

from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.store.fleets import add_fleet, list_fleets


@click.group()
def fleet() -> None:
    """Add and list fleets. With a single fleet, no command needs its name."""


@fleet.command()
@click.argument("name")
@pass_invocation
def add(invocation: Invocation, name: str) -> None:
    """Add a fleet called NAME."""
    with (
        invocation.open_store(create_default_fleet=False) as store,
        store.write() as session,
    ):
        add_fleet(session, name, invocation.actor)
    click.echo(f"added fleet {name}")


@fleet.command("list")
@pass_invocation
def list_command(invocation: Invocation) -> None:
    """List the fleets, one per line."""
    with (
        invocation.open_store(create_default_fleet=False) as store,
        store.read() as session,
    ):
        for entry in list_fleets(session):
            click.echo(entry.fleet)
