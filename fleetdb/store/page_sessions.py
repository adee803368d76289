"""Who is signed in to the pages: a token exchanged for a secret that lasts a shift.

The secret is kept as a hash, like a token's. A session opens what its token opens, as long as
the token does: one that is revoked or past its end ends its sessions with it.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from fleetdb.store.tables import AccessToken, PageSession
from fleetdb.store.tokens import Caller, authenticate, sha256_of, valid_caller

LASTS = timedelta(hours=12)
_RANDOM_BYTES = 32


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who is signed in, and to which fleet: its id and its name."""

    caller: Caller
    fleet_id: int
    fleet: str


def begin_session(session: Session, token: str) -> str | None:
    """Return the secret of a new session for ``token``, or None when the token opens nothing.

    It opens the first fleet by name that the token serves. Sessions past their end are
    forgotten on the way.
    """
    caller = authenticate(session, token)
    if caller is None:
        return None
    now = datetime.now(UTC)
    session.execute(delete(PageSession).where(PageSession.expires_at <= now))
    _, fleet_id = min(caller.fleets.items())
    return _add(session, caller.token_id, fleet_id, now, now + LASTS)


def signed_in(session: Session, secret: str) -> SignedIn | None:
    """Return whose session ``secret`` is, or None when it is no session, or one that ended."""
    row = session.execute(_own(secret)).scalar_one_or_none()
    if row is None:
        return None
    caller = valid_caller(session, AccessToken.id == row.token_id)
    if caller is None:
        return None
    return next(
        (
            SignedIn(caller, fleet_id, fleet)
            for fleet, fleet_id in caller.fleets.items()
            if fleet_id == row.fleet_id
        ),
        None,
    )


def move_session(session: Session, secret: str, fleet_id: int) -> str:
    """End the session of ``secret`` and return that of one in another fleet, as long as it.

    The caller has seen to it that the token serves the fleet and the session stands.
    """
    row = session.execute(_own(secret)).scalar_one()
    end_session(session, secret)
    return _add(session, row.token_id, fleet_id, row.created_at, row.expires_at)


def end_session(session: Session, secret: str) -> None:
    """Forget a session; one that is none is no error."""
    session.execute(delete(PageSession).where(PageSession.session_sha256 == sha256_of(secret)))


def _own(secret: str):
    return select(PageSession).where(
        PageSession.session_sha256 == sha256_of(secret),
        PageSession.expires_at > datetime.now(UTC),
    )


def _add(
    session: Session, token_id: int, fleet_id: int, created_at: datetime, expires_at: datetime
) -> str:
    secret = secrets.token_urlsafe(_RANDOM_BYTES)
    session.add(
        PageSession(
            session_sha256=sha256_of(secret),
            token_id=token_id,
            fleet_id=fleet_id,
            created_at=created_at,
            expires_at=expires_at,
        )
    )
    session.flush()
    return secret
