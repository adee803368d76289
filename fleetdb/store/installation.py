"""Which installation this is."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.store.tables import Installation


def installation_id(session: Session) -> UUID:
    """Return the id that this database was given when it was made."""
    return session.scalars(select(Installation.installation_id)).one()
