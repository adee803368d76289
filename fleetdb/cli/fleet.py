"""``fleetdb fleet``: add and list fleets, and set how one's pumps are judged."""

from __future__ import annotations

from dataclasses import replace

import click

from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.store.fleets import add_fleet, list_fleets
from fleetdb.store.trend_settings import keep_trend_settings, read_trend_settings
from fleetdb.trend_settings import TrendSettings


@click.group()
def fleet() -> None:
    """Add, list and set up fleets. With a single fleet, no command needs its name."""


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


@fleet.command()
@pass_invocation
def show(invocation: Invocation) -> None:
    """Show how a fleet's pumps are judged: how far ahead, and with which fuel."""
    with invocation.open_fleet() as (store, entry), store.read() as session:
        _print(entry.fleet, read_trend_settings(session, entry.id))


@fleet.command("set")
@click.option("--horizon-days", type=float, help="How far ahead a verdict looks. [default: 60]")
@click.option(
    "--fuel-viscosity",
    "viscosities",
    type=(float, float),
    multiple=True,
    metavar="DEGC MM2_PER_S",
    help="Kinematic viscosity of the fleet's fuel at a temperature; given twice. "
    "[default: 40 2.8 and 100 1.15]",
)
@pass_invocation
def set_command(
    invocation: Invocation,
    horizon_days: float | None,
    viscosities: tuple[tuple[float, float], ...],
) -> None:
    """Set how a fleet's pumps are judged; what is not named stays as it is.

    Verdicts follow when they are next worked out, those of past dates too.
    """
    if horizon_days is None and not viscosities:
        raise click.UsageError("name what is to be set: --horizon-days or --fuel-viscosity")
    changed: dict[str, float] = {}
    if horizon_days is not None:
        changed["horizon_days"] = horizon_days
    if viscosities:
        if len(viscosities) != 2:
            raise click.UsageError("--fuel-viscosity is given twice, at two temperatures")
        (cold_c, cold), (hot_c, hot) = sorted(viscosities)
        changed |= {"fuel_cold_c": cold_c, "fuel_cold_mm2_per_s": cold}
        changed |= {"fuel_hot_c": hot_c, "fuel_hot_mm2_per_s": hot}
    with invocation.open_fleet() as (store, entry), store.write() as session:
        settings = replace(read_trend_settings(session, entry.id), **changed)
        keep_trend_settings(session, entry.id, settings, invocation.actor)
    _print(entry.fleet, settings)


def _print(name: str, settings: TrendSettings) -> None:
    click.echo(f"fleet {name}")
    click.echo(f"  looks {settings.horizon_days:g} days ahead")
    click.echo(
        f"  fuel: {settings.fuel_cold_mm2_per_s:g} mm2/s at {settings.fuel_cold_c:g} °C, "
        f"{settings.fuel_hot_mm2_per_s:g} mm2/s at {settings.fuel_hot_c:g} °C"
    )


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
