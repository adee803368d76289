"""Alembic's environment: runs on the connection and in the transaction it is given."""

from typing import Literal

from alembic import context
from sqlalchemy import Connection
from sqlalchemy.types import TypeEngine

from fleetdb.store.columns import UtcDateTime
from fleetdb.store.tables import Base


def render_item(kind: str, item: object, _autogen_context: object) -> str | Literal[False]:
    """Write plain column types, so that an old migration never reads today's models."""
    if kind == "type" and isinstance(item, TypeEngine) and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    return False


def run(connection: Connection) -> None:
    """Run the migrations asked for on ``connection``; the caller commits."""
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        # SQLite cannot alter most of a table: batch mode copies it instead.
        render_as_batch=True,
        transactional_ddl=True,
        compare_type=True,
        compare_server_default=True,
        render_item=render_item,
    )
    with context.begin_transaction():
        context.run_migrations()


run(context.config.attributes["connection"])
