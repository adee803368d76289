"""The answers senders got, kept so that the same record or trace again gets the same answer."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import InstrumentedAttribute, Session

from fleetdb.store.inserting import insert_new
from fleetdb.store.tables import Receipt, TraceReceipt

Kept = type[Receipt] | type[TraceReceipt]
_KEYS: dict[Kept, InstrumentedAttribute[Any]] = {
    Receipt: Receipt.test_record_id,
    TraceReceipt: TraceReceipt.trace_row_id,
}


def kept_receipt(session: Session, row_id: int, table: Kept = Receipt) -> str | None:
    """Return the body kept for the row of a test record (or of a trace), or None."""
    return session.scalar(select(table.body).where(_KEYS[table] == row_id))


def keep_receipt(session: Session, row_id: int, body: str, table: Kept = Receipt) -> str:
    """Keep ``body`` unless one is kept already; return the one that stands."""
    key = _KEYS[table]
    if insert_new(session, table, [{key.key: row_id, "body": body}], [key]):
        return body
    return session.scalars(select(table.body).where(key == row_id)).one()
