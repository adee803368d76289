"""``fleetdb recompute``: the figures of stored traces, worked out anew from their originals."""

from __future__ import annotations

import click

from fleetdb.cli.exit_codes import EXIT_SOME_REFUSED
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.cli.progress import row_counter
from fleetdb.store.trace_recomputing import recompute_traces
from fleetdb.trace.figures import METHOD


@click.command()
@pass_invocation
@click.pass_context
def recompute(context: click.Context, invocation: Invocation) -> None:
    """Work out the figures of every stored trace anew, from its original.

    For after an upgrade whose method is newer, or after new settings of a pump family.
    Figures that come out otherwise are added and rule from then on; the old ones stay.
    Exit code 3 means that some traces are refused by the present method: they keep the
    figures they have.
    """
    with invocation.open_fleet() as (store, fleet), row_counter() as advance:
        result = recompute_traces(
            store, fleet.id, invocation.actor, lambda _done, _of: advance("traces", 1)
        )
    click.echo(
        f"method {METHOD}: {result.changed:,} traces with new figures, "
        f"{result.unchanged:,} as they were, {len(result.refused):,} refused"
    )
    for trace, error in result.refused:
        click.echo(f"trace {trace.trace_id} of record {trace.record_id}: {error}", err=True)
    if result.refused:
        context.exit(EXIT_SOME_REFUSED)
