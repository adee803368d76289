"""Requests that carry an Idempotency-Key: one answer for one key, however often it is sent.

These rows are bookkeeping of the API, not part of the truth: a key is forgotten after
``KEPT``, and freed at once when its request was refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from fleetdb.errors import ConflictError, FleetDbError
from fleetdb.store.inserting import insert_new
from fleetdb.store.tables import IdempotencyKey

KEPT = timedelta(hours=24)
# A process that died between taking a key and answering must not block it for
# long; carrying the request out again is safe, since documents have ids of their own.
ABANDONED_AFTER = timedelta(seconds=60)
_IN_PROGRESS = 0


class KeyReusedError(FleetDbError):
    """Raised when an Idempotency-Key comes again with another request."""

    def __init__(self) -> None:
        super().__init__(
            "this Idempotency-Key was used for another request; "
            "send the first request unchanged, or use a new key"
        )


class KeyInUseError(ConflictError):
    """Raised when the first request with this Idempotency-Key is still being answered."""

    def __init__(self) -> None:
        super().__init__("the first request with this Idempotency-Key is still being answered")


@dataclass(frozen=True, slots=True)
class KeyedRequest:
    """A request under its key: whose it is, and the digest of method, address and body."""

    fleet_id: int
    token_id: int
    key: str
    request_sha256: str


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """The answer the first request got: status and text, as given to ``finish``."""

    status: int
    body: str


def begin(session: Session, request: KeyedRequest, now: datetime) -> KeptAnswer | None:
    """Take the key for ``request``; return the answer when it was carried out before.

    Raises
    ------
    KeyReusedError
        The key belongs to a request with another digest.
    KeyInUseError
        The same request is being carried out at this moment.
    """
    session.execute(
        delete(IdempotencyKey).where(
            IdempotencyKey.fleet_id == request.fleet_id,
            IdempotencyKey.token_id == request.token_id,
            IdempotencyKey.created_at < now - KEPT,
        )
    )
    row = {
        "fleet_id": request.fleet_id,
        "token_id": request.token_id,
        "key": request.key,
        "request_sha256": request.request_sha256,
        "status": _IN_PROGRESS,
        "body": "",
        "created_at": now,
    }
    if insert_new(session, IdempotencyKey, [row], [IdempotencyKey.id]):
        return None
    found = session.scalars(
        select(IdempotencyKey).where(*_is(request)).with_for_update()
    ).one_or_none()
    if found is None:
        # Its request was refused and let go of the key between the two statements.
        raise KeyInUseError
    if found.request_sha256 != request.request_sha256:
        raise KeyReusedError
    if found.status != _IN_PROGRESS:
        return KeptAnswer(found.status, found.body)
    if found.created_at > now - ABANDONED_AFTER:
        raise KeyInUseError
    found.created_at = now
    return None


def finish(session: Session, request: KeyedRequest, answer: KeptAnswer) -> None:
    """Keep the answer that ``request`` got."""
    session.execute(
        update(IdempotencyKey).where(*_is(request)).values(status=answer.status, body=answer.body)
    )


def let_go(session: Session, request: KeyedRequest) -> None:
    """Free the key: its request was refused and changed nothing."""
    session.execute(delete(IdempotencyKey).where(*_is(request)))


def _is(request: KeyedRequest) -> tuple:
    return (
        IdempotencyKey.fleet_id == request.fleet_id,
        IdempotencyKey.token_id == request.token_id,
        IdempotencyKey.key == request.key,
    )
