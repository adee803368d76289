"""``fleetdb migrate``: bring the database to the schema of this program."""

from __future__ import annotations

import click

from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.store import migrate as schema
from fleetdb.store.connecting import clear_connection_errors, connect


@click.command()
@click.option(
    "--check",
    is_flag=True,
    help="Change nothing; exit code 1 when the schema is behind or differs from the models.",
)
@pass_invocation
@click.pass_context
def migrate(context: click.Context, invocation: Invocation, check: bool) -> None:
    """Bring the database to the newest schema.

    Take a backup first: there is no way back but restoring one.
    """
    if check:
        differences = _differences(invocation)
        for line in differences:
            click.echo(line, err=True)
        context.exit(1 if differences else 0)
    before, after = schema.upgrade(invocation.settings)
    if before == after:
        click.echo(f"already at schema {after}")
    else:
        click.echo(f"migrated from schema {before or 'none'} to {after}")


def _differences(invocation: Invocation) -> list[str]:
    engine = connect(invocation.settings)
    try:
        with clear_connection_errors(engine.url):
            current, head = schema.current_and_head(engine)
            if current != head:
                return [f"the database is at schema {current or 'none'}, not {head}"]
            return schema.differences(engine)
    finally:
        engine.dispose()
