"""The answers senders got, kept so that the same record again gets the same answer."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.store.inserting import insert_new
from fleetdb.store.tables import Receipt


def kept_receipt(session: Session, test_record_row_id: int) -> str | None:
    """Return the body kept for a test record's row, or None."""
    return session.scalar(select(Receipt.body).where(Receipt.test_record_id == test_record_row_id))


def keep_receipt(session: Session, test_record_row_id: int, body: str) -> str:
    """Keep ``body`` unless one is kept already; return the one that stands."""
    values = {"test_record_id": test_record_row_id, "body": body}
    if insert_new(session, Receipt, [values], [Receipt.test_record_id]):
        return body
    return session.scalars(
        select(Receipt.body).where(Receipt.test_record_id == test_record_row_id)
    ).one()
