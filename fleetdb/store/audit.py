"""The audit trail: who changed what, when, written in the change's own transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import BigInteger, Text, cast, func, insert
from sqlalchemy.orm import Session

from fleetdb.store.tables import AuditEntry


@dataclass(frozen=True, slots=True)
class Change:
    """One change: what was done (``accepted``, ``voided``...) to which row of which table."""

    action: str
    subject: str
    subject_row_id: int | None
    detail: dict[str, str] | None = None


def record_changes(
    session: Session, fleet_id: int | None, actor: str, at: datetime, changes: Sequence[Change]
) -> None:
    """Add one audit entry per change, in order."""
    if not changes:
        return
    statement = insert(AuditEntry)
    if session.get_bind().dialect.name == "postgresql":
        # xid8 has no direct cast to bigint.
        transaction_id = cast(cast(func.pg_current_xact_id(), Text), BigInteger)
        statement = statement.values(written_by=transaction_id)
    session.connection().execute(
        statement,
        [
            {
                "fleet_id": fleet_id,
                "at": at,
                "actor": actor[:120],
                "action": change.action,
                "subject": change.subject,
                "subject_row_id": change.subject_row_id,
                "detail": change.detail,
            }
            for change in changes
        ],
    )
