"""``fleetdb demo``: an invented fleet from nothing to an action list and a running server."""

from __future__ import annotations

import errno
import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
import polars as pl
from rich.console import Console
from rich.progress import Progress, TaskID

from api.serve import run_server
from demo_fleet.curls import curl_commands
from demo_fleet.folder import DemoFolder
from demo_fleet.options import FleetOptions
from demo_fleet.scenario import OPERATOR
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.errors import FleetDbError
from fleetdb.report.action_list import print_action_list, urgent_first
from fleetdb.settings import Settings
from fleetdb.store.engine import Store, open_store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.loading import load_paths
from fleetdb.store.sources import find_sources
from fleetdb.store.tokens import Role, create_token
from fleetdb.timestamps import end_of_day
from fleetdb.trend.refresh import refresh
from fleetdb.warehouse.snapshot import open_snapshot

HOST = "127.0.0.1"
ACTOR = "demo"
TOKEN_LASTS = timedelta(days=30)
LISTED = 25
# Standard output that is no terminal has no width of its own.
FILE_WIDTH = 132


@click.command()
@click.option("--no-serve", is_flag=True, help="Stop after the action list.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("fleetdb-demo"),
    show_default=True,
    help="Folder of the demo's own; the same demo can be run in it again.",
)
@click.option("--vehicles", default=240, show_default=True, type=click.IntRange(1, 100_000))
@click.option("--years", default=4.0, show_default=True, type=click.FloatRange(0.25, 20))
@click.option("--seed", default=7, show_default=True, type=click.IntRange(0, 2**31))
@click.option(
    "--port",
    default=8000,
    show_default=True,
    type=click.IntRange(0, 65_535),
    help="Port to serve on; 0 takes a free one.",
)
@pass_invocation
def demo(
    invocation: Invocation,
    no_serve: bool,
    folder: Path,
    vehicles: int,
    years: float,
    seed: int,
    port: int,
) -> None:
    """Build an invented fleet, load it, print who to act on, and serve it.

    Everything in it is made up, the limits too. It has a database of its own in the
    folder and touches no other.
    """
    options = FleetOptions(vehicles=vehicles, years=years, seed=seed)
    demo_folder = DemoFolder(folder.resolve())
    settings = Settings.from_environment(
        {**os.environ, "FLEETDB_HOME": str(demo_folder.home), "FLEETDB_DATABASE_URL": ""}
    )
    if not no_serve:
        # Found out now, not after a minute's work.
        port = _usable_port(port)
    _generate(demo_folder, options, folder)
    store = open_store(settings)
    try:
        with store.read() as session:
            fleet_id = resolve_fleet(session, invocation.fleet_name).id
        _load(store, fleet_id, demo_folder)
        verdicts = _assess(store, fleet_id, settings.home, options)
        console = _console()
        console.print()
        print_action_list(verdicts, console, LISTED)
        if no_serve:
            return
        token = _token(store, invocation.fleet_name)
    finally:
        store.close()
    _print_requests(f"http://{HOST}:{port}", token, verdicts, options)
    run_server(settings, HOST, port)


def _console() -> Console:
    console = Console()
    return console if console.is_terminal else Console(width=FILE_WIDTH)


def _usable_port(port: int) -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            told = "is in use" if error.errno == errno.EADDRINUSE else str(error.strerror)
            raise FleetDbError(f"port {port} {told}; choose another with --port") from error
        return probe.getsockname()[1]


@contextmanager
def _progress(description: str, total: int) -> Iterator[tuple[Progress, TaskID]]:
    errors = Console(stderr=True)
    with Progress(console=errors, disable=not errors.is_terminal, transient=True) as bar:
        yield bar, bar.add_task(description, total=total)


def _timed(what: Callable[[], str]) -> None:
    """Do ``what`` and print the line it returns, with the time it took."""
    started = time.perf_counter()
    told = what()
    click.echo(f"{time.perf_counter() - started:6.1f} s  {told}")


def _generate(demo_folder: DemoFolder, options: FleetOptions, folder: Path) -> None:
    def generate() -> str:
        with _progress("inventing", options.vehicles) as (bar, task):
            made = demo_folder.prepare(options, lambda done: bar.update(task, completed=done))
        told = f"{OPERATOR}, an invented operator: {options.vehicles:,} vehicles, "
        told += f"{options.years:g} years to {options.ends_on}"
        return f"{told}, {'written to' if made else 'already in'} {folder / 'documents'}"

    _timed(generate)


def _load(store: Store, fleet_id: int, demo_folder: DemoFolder) -> None:
    def load() -> str:
        # Written anew by every run, from the same deliberate slips.
        demo_folder.refused.unlink(missing_ok=True)
        paths = [demo_folder.documents]
        total_bytes = sum(source.size_bytes for source in find_sources(paths).files)
        with _progress("loading", total_bytes) as (bar, task):
            summary = load_paths(
                store,
                fleet_id,
                paths,
                demo_folder.refused,
                ACTOR,
                progress=lambda _, n_bytes: bar.update(task, advance=n_bytes),
            )
        accepted = sum(counts.accepted for counts in summary.counts.values())
        already_there = sum(counts.already_there for counts in summary.counts.values())
        return (
            f"loaded: {accepted:,} accepted, {already_there:,} already there, "
            f"{summary.refused:,} refused (deliberate slips; reasons in "
            f"{demo_folder.refused.name})"
        )

    _timed(load)


def _assess(store: Store, fleet_id: int, home: Path, options: FleetOptions) -> pl.DataFrame:
    def assess() -> str:
        refresh(store, fleet_id, home, as_of=end_of_day(options.ends_on))
        return f"mirrored, assessed as of the end of {options.ends_on}, and published"

    _timed(assess)
    snapshot = open_snapshot(home, fleet_id)
    try:
        with snapshot.connection() as connection:
            return connection.sql("FROM verdicts").pl()
    finally:
        snapshot.close()


def _token(store: Store, fleet_name: str | None) -> str:
    with store.write() as session:
        fleet = resolve_fleet(session, fleet_name)
        expires_at = datetime.now(UTC) + TOKEN_LASTS
        _, plain = create_token(
            session, "demo", Role.MANAGER, [fleet], expires_at=expires_at, actor=ACTOR
        )
    return plain


def _print_requests(
    address: str, token: str, verdicts: pl.DataFrame, options: FleetOptions
) -> None:
    listed = urgent_first(verdicts)
    example = (verdicts if listed.is_empty() else listed).row(0, named=True)
    click.echo(f"\naddress  {address}  (described by {address}/openapi.json)")
    click.echo(f"token    {token}  (manager, lasts {TOKEN_LASTS.days} days)\n")
    click.echo("In another terminal:\n")
    for what, command in curl_commands(
        address, token, example["vehicle"], example["pump_family"], options.ends_on
    ):
        click.echo(f"# {what}\n{command}\n")
    click.echo(
        f"The history ends on {options.ends_on}; without as_of the server judges as of today, "
        "with nothing tested since.\n"
    )
    click.echo(f"Look at it in a browser:  {address}/")
    click.echo(f"sign in with              {token}\nCtrl-C stops it.")
