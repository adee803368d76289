"""``fleetdb load``: files of documents into the store."""

from __future__ import annotations

import gc
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

from fleetdb.cautions import CAUTIONS
from fleetdb.cli.exit_codes import EXIT_INTERRUPTED, EXIT_SOME_REFUSED
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.store.loading import LoadSummary, load_paths
from fleetdb.store.sources import Source, find_sources


@click.command()
@click.argument(
    "paths", nargs=-1, required=True, metavar="PATH...", type=click.Path(path_type=Path)
)
@click.option(
    "--refused",
    "refused_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="New file for refused lines and the reasons. "
    "[default: refused-<UTC time>.ndjson in the current folder]",
)
@pass_invocation
@click.pass_context
def load(
    context: click.Context, invocation: Invocation, paths: list[Path], refused_path: Path | None
) -> None:
    """Load documents and traces from files or from folders of them.

    A file's name begins with what it holds: pump_families, vehicles,
    kit_calibrations, fitments, test_records, findings or traces, and ends in .ndjson.
    A recording is a file of its own, named traces-RECORD_ID-KIND.csv (.parquet,
    .arrow), with -unplugged or -connected after the kind where it is known how the
    inlet metering valve was.
    Loading the same documents again changes nothing. Exit code 3 means that
    some lines were refused.
    """
    refused = refused_path or Path(f"refused-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}.ndjson")
    # Millions of short-lived objects, hardly any in rings: the collector's default
    # pace would take a quarter of the time.
    gc.freeze()
    gc.set_threshold(100_000, 20, 20)
    total_bytes = sum(source.size_bytes for source in find_sources(paths).files)
    errors = Console(stderr=True)
    with invocation.open_fleet() as (store, fleet):
        columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn())
        try:
            with Progress(
                *columns, TimeRemainingColumn(), console=errors, disable=not errors.is_terminal
            ) as bar:
                task = bar.add_task("loading", total=total_bytes)

                def advance(source: Source, n_bytes: int) -> None:
                    bar.update(task, advance=n_bytes, description=source.kind.value)

                summary = load_paths(
                    store, fleet.id, paths, refused, invocation.actor, progress=advance
                )
        except KeyboardInterrupt:
            click.echo(
                "interrupted: what was loaded so far is stored; run the same load again "
                "to finish it",
                err=True,
            )
            context.exit(EXIT_INTERRUPTED)
    _print_summary(summary)
    if summary.refused:
        context.exit(EXIT_SOME_REFUSED)


def _print_summary(summary: LoadSummary) -> None:
    for path in summary.left_aside:
        click.echo(f"left aside, not a file to load: {path}", err=True)
    click.echo(f"{'':18}{'accepted':>12}{'already there':>16}{'refused':>10}")
    for kind, counts in summary.counts.items():
        click.echo(
            f"{kind.value:18}{counts.accepted:>12,}{counts.already_there:>16,}{counts.refused:>10,}"
        )
    for remark in summary.settings_remarks:
        click.echo(f"note: {remark}")
    if summary.refused_path is not None:
        click.echo(f"refused lines and the reasons are in {summary.refused_path}")
    click.echo()
    for caution in CAUTIONS:
        click.echo(caution)
