"""``fleetdb mirror``: keep, remake or prove the copy of the records in Parquet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.cli.progress import row_counter
from fleetdb.store.engine import Store
from fleetdb.warehouse.mirror import SyncResult
from fleetdb.warehouse.mirror import rebuild as rebuild_mirror
from fleetdb.warehouse.mirror import sync as sync_mirror
from fleetdb.warehouse.mirror_check import check as check_mirror

Done = TypeVar("Done")


@click.group()
def mirror() -> None:
    """The copy of the records in Parquet, from which verdicts are worked out."""


@mirror.command()
@pass_invocation
def sync(invocation: Invocation) -> None:
    """Copy what has changed in the database since the last sync."""
    with invocation.open_fleet() as (store, fleet):
        _print_result(_with_progress(sync_mirror, store, fleet.id, invocation.settings.home))


@mirror.command()
@pass_invocation
def rebuild(invocation: Invocation) -> None:
    """Make the mirror anew from the database; the old one serves until it is there."""
    with invocation.open_fleet() as (store, fleet):
        _print_result(_with_progress(rebuild_mirror, store, fleet.id, invocation.settings.home))


@mirror.command()
@pass_invocation
@click.pass_context
def check(context: click.Context, invocation: Invocation) -> None:
    """Prove that the mirror equals the database, table by table.

    Changes that the next sync would bring do not count. Exit code 1 means that the
    mirror differs.
    """
    with invocation.open_fleet() as (store, fleet):
        problems = _with_progress(check_mirror, store, fleet.id, invocation.settings.home)
    for problem in problems:
        click.echo(problem)
    if problems:
        context.exit(1)
    click.echo("the mirror equals the database")


def _with_progress(work: Callable[..., Done], store: Store, fleet_id: int, home: Path) -> Done:
    with row_counter() as advance:
        return work(store, fleet_id, home, advance)


def _print_result(result: SyncResult) -> None:
    if result.rebuilt_because is not None:
        click.echo(f"made anew: {result.rebuilt_because}")
    elif not result.changed:
        click.echo("nothing new")
    click.echo(f"{'':20}{'copied':>12}{'in mirror':>12}")
    for table, rows in result.rows.items():
        click.echo(f"{table:20}{result.added[table]:>12,}{rows:>12,}")
