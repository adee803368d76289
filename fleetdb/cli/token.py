"""``fleetdb token``: create, list and revoke bearer tokens."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import click
from rich.console import Console
from rich.table import Table

from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.tokens import Role, TokenStatus, create_token, list_tokens, revoke_token
from fleetdb.timestamps import format_rfc3339


@click.group()
def token() -> None:
    """Create, list and revoke the tokens that let a caller into the API."""


@token.command()
@click.argument("label")
@click.option(
    "--role",
    required=True,
    type=click.Choice([role.value for role in Role]),
    help="workshop: post, and read what it posted; manager: the whole fleet; admin: tokens too.",
)
@click.option("--workshop", "workshop_name", help="Workshop the holder posts for.")
@click.option("--in-fleet", "in_fleets", multiple=True, help="Fleet it may act in; repeatable.")
@click.option("--days", type=click.IntRange(1, 3650), help="Days it lasts. [default: for ever]")
@pass_invocation
def create(
    invocation: Invocation,
    label: str,
    role: str,
    workshop_name: str | None,
    in_fleets: tuple[str, ...],
    days: int | None,
) -> None:
    """Create a token and print it once: only its hash is kept."""
    expires_at = datetime.now(UTC) + timedelta(days=days) if days else None
    with invocation.open_store() as store, store.write() as session:
        names = list(dict.fromkeys(in_fleets)) or [invocation.fleet_name]
        fleets = [resolve_fleet(session, name) for name in names]
        _, plain = create_token(
            session, label, role, fleets, workshop_name, expires_at, actor=invocation.actor
        )
    click.echo("Keep this token now; it cannot be shown again.", err=True)
    click.echo(plain)


@token.command("list")
@pass_invocation
def list_command(invocation: Invocation) -> None:
    """List tokens: everything but the tokens themselves."""
    with invocation.open_store() as store, store.read() as session:
        tokens = list_tokens(session)
    table = Table("id", "label", "role", "fleets", "workshop", "created", "state")
    for entry in tokens:
        table.add_row(
            str(entry.token_id),
            entry.label,
            entry.role.value,
            ", ".join(entry.fleets),
            entry.workshop_name or "",
            f"{entry.created_at:%Y-%m-%d}",
            _state(entry),
        )
    Console().print(table)


@token.command()
@click.argument("token_id", type=int)
@pass_invocation
def revoke(invocation: Invocation, token_id: int) -> None:
    """End the token with this id now."""
    with invocation.open_store() as store, store.write() as session:
        status = revoke_token(session, token_id, actor=invocation.actor)
    click.echo(f"token {token_id} ({status.label}) is {_state(status)}")


def _state(entry: TokenStatus) -> str:
    if entry.revoked_at is not None:
        return f"revoked {format_rfc3339(entry.revoked_at)}"
    if entry.expires_at is not None and entry.expires_at <= datetime.now(UTC):
        return f"expired {format_rfc3339(entry.expires_at)}"
    return "valid"
