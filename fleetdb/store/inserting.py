"""Bulk inserts that leave rows already there alone, the same on SQLite and PostgreSQL."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import insert
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import InstrumentedAttribute, Session

from fleetdb.store.columns import Base


def insert_new(
    session: Session,
    table: type[Base],
    rows: Sequence[dict[str, Any]],
    returning: Sequence[InstrumentedAttribute[Any]],
) -> list[tuple[Any, ...]]:
    """Insert ``rows`` where no unique constraint forbids it; return the columns of those inserted.

    On PostgreSQL a rival transaction that is inserting the same key is waited for:
    if it commits, its row stands and ours is left out. The order of the returned
    rows is not that of ``rows``, so ``returning`` should hold the key.
    """
    if not rows:
        return []
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    statement = (
        dialect.insert(table.__table__)  # pyright: ignore[reportArgumentType]
        .on_conflict_do_nothing()
        .returning(*(table.__table__.c[column.key] for column in returning))
    )
    return [tuple(row) for row in session.connection().execute(statement, list(rows))]


def insert_all(session: Session, table: type[Base], rows: Sequence[dict[str, Any]]) -> None:
    """Insert ``rows``, whose keys are known to be new."""
    if rows:
        session.connection().execute(insert(table), list(rows))
