"""``fleetdb void``: withdraw a document, with the reason."""

from __future__ import annotations

from uuid import UUID

import click

from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.records.documents import Kind
from fleetdb.store.amending import void_document
from fleetdb.store.voids import VOIDABLE
from fleetdb.timestamps import format_rfc3339


@click.command()
@click.argument("kind", type=click.Choice([kind.value for kind in VOIDABLE]))
@click.argument("document_id", metavar="ID", type=click.UUID)
@click.option("--reason", required=True, help="Why it is withdrawn; kept with it.")
@pass_invocation
def void(invocation: Invocation, kind: str, document_id: UUID, reason: str) -> None:
    """Withdraw a test record, fitment, finding or kit calibration.

    It stays and is shown as void, and no verdict uses it any more, not even one
    worked out for a past date. There is no way back but sending a new document.
    """
    with invocation.open_fleet() as (store, fleet), store.write() as session:
        voided = void_document(session, fleet.id, Kind(kind), document_id, reason, invocation.actor)
    click.echo(
        f"{VOIDABLE[Kind(kind)].noun} {document_id} is void "
        f"since {format_rfc3339(voided.voided_at)}: {voided.reason}"
    )
