"""`fleetdb backtest`: what past month ends would have said, and how well."""

from __future__ import annotations

from pathlib import Path

import click
import polars as pl
from rich.console import Console

from fleetdb.cli.as_of import Month
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.cli.progress import row_counter, step_counter
from fleetdb.report.scorecard_table import print_scorecard
from fleetdb.report.verdict_files import write_csv
from fleetdb.trend.backtest import month_ends, replay
from fleetdb.trend.scorecard import scorecard
from fleetdb.trend.teaching import Teacher
from fleetdb.warehouse.layout import learnt_folder
from fleetdb.warehouse.mirror import sync
from fleetdb.warehouse.views import open_mirror


@click.command()
@click.option("--from", "first", type=Month(), required=True, help="First month end to replay.")
@click.option("--to", "last", type=Month(), required=True, help="Last month end to replay.")
@click.option(
    "--verdicts",
    "verdicts_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write every verdict of every month end to this CSV file.",
)
@pass_invocation
def backtest(
    invocation: Invocation,
    first: tuple[int, int],
    last: tuple[int, int],
    verdicts_path: Path | None,
) -> None:
    """Replay each month end, seeing only what was known by then, and keep score.

    The score is against the findings workshops recorded.
    """
    moments = month_ends(first, last)
    with invocation.open_fleet() as (store, fleet):
        home = invocation.settings.home
        with row_counter() as progress:
            sync(store, fleet.id, home, progress)
        with open_mirror(home, fleet.id) as connection:
            with step_counter("replaying month ends", len(moments)) as told:
                teacher = Teacher(learnt_folder(home, fleet.id))
                verdicts = replay(connection, moments, told=told, teacher=teacher)
            card = scorecard(connection, verdicts)
    if verdicts_path is not None:
        write_csv(pl.DataFrame(verdicts), verdicts_path)
        click.echo(f"{len(verdicts)} verdicts written to {verdicts_path}")
    print_scorecard(card, Console())
