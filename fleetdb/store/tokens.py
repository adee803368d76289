"""Bearer tokens: random, shown once, kept as a hash, bound to a role and to fleets."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from fleetdb.errors import InvalidInputError, NotFoundError, Problem
from fleetdb.records.fields import Name
from fleetdb.store.audit import Change, record_changes
from fleetdb.store.inserting import insert_new
from fleetdb.store.tables import AccessToken, Fleet, TokenFleet, TokenRevocation

# The prefix lets a secret scanner and a person recognise what they found.
TOKEN_PREFIX = "flt_"  # noqa: S105 - not a password
_RANDOM_BYTES = 32  # 43 url-safe characters
_NAME = TypeAdapter(Name)


class Role(StrEnum):
    """What a token's holder may do; each role may also do what those before it may."""

    WORKSHOP = "workshop"
    MANAGER = "manager"
    ADMIN = "admin"


@dataclass(frozen=True, slots=True)
class Caller:
    """Who a token stands for. ``fleets`` maps the name of each fleet it may act in to its id."""

    token_id: int
    label: str
    role: Role
    workshop_name: str | None
    fleets: dict[str, int]


@dataclass(frozen=True, slots=True)
class TokenStatus:
    """A token as it may be listed: everything but the token."""

    token_id: int
    label: str
    role: Role
    workshop_name: str | None
    fleets: list[str]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


def create_token(
    session: Session,
    label: str,
    role: Role | str,
    fleets: Sequence[Fleet],
    workshop_name: str | None = None,
    expires_at: datetime | None = None,
    *,
    actor: str,
) -> tuple[AccessToken, str]:
    """Create a token for ``fleets`` and return it with its text, which is not kept.

    Raises
    ------
    InvalidInputError
        A bad label, an unknown role, no fleet, or an end that has passed.
    """
    now = datetime.now(UTC)
    known_role = _check(label, role, fleets, workshop_name, expires_at, now)
    plain = TOKEN_PREFIX + secrets.token_urlsafe(_RANDOM_BYTES)
    token = AccessToken(
        token_sha256=sha256_of(plain),
        label=label,
        role=known_role.value,
        workshop_name=workshop_name,
        created_at=now,
        expires_at=expires_at,
    )
    session.add(token)
    session.flush()
    session.add_all(TokenFleet(token_id=token.id, fleet_id=fleet.id) for fleet in fleets)
    session.flush()
    detail = {"label": label, "role": known_role.value}
    for fleet in fleets:
        change = Change("token_created", "access_tokens", token.id, detail)
        record_changes(session, fleet.id, actor, now, [change])
    return token, plain


def authenticate(session: Session, plain: str) -> Caller | None:
    """Return who the token stands for, or None when it is unknown, expired or revoked."""
    # The hash is what is searched for: the time this takes tells nothing of the token.
    return valid_caller(session, AccessToken.token_sha256 == sha256_of(plain))


def valid_caller(session: Session, condition: ColumnElement[bool]) -> Caller | None:
    """Return who the one token of ``condition`` stands for, None when it opens nothing."""
    token = session.execute(
        select(AccessToken)
        .outerjoin(TokenRevocation, TokenRevocation.token_id == AccessToken.id)
        .where(condition, TokenRevocation.token_id.is_(None))
    ).scalar_one_or_none()
    if token is None or (token.expires_at is not None and token.expires_at <= datetime.now(UTC)):
        return None
    fleets = session.execute(
        select(Fleet.fleet, Fleet.id)
        .join(TokenFleet, TokenFleet.fleet_id == Fleet.id)
        .where(TokenFleet.token_id == token.id)
    )
    return Caller(
        token_id=token.id,
        label=token.label,
        role=Role(token.role),
        workshop_name=token.workshop_name,
        fleets={row.fleet: row.id for row in fleets},
    )


def revoke_token(session: Session, token_id: int, *, actor: str) -> TokenStatus:
    """End a token now. Ending it again changes nothing.

    Raises
    ------
    NotFoundError
        There is no such token.
    """
    if session.get(AccessToken, token_id) is None:
        raise NotFoundError("token", str(token_id))
    now = datetime.now(UTC)
    values = {"token_id": token_id, "revoked_at": now}
    if insert_new(session, TokenRevocation, [values], [TokenRevocation.token_id]):
        for fleet_id in session.scalars(
            select(TokenFleet.fleet_id).where(TokenFleet.token_id == token_id)
        ):
            change = Change("token_revoked", "access_tokens", token_id)
            record_changes(session, fleet_id, actor, now, [change])
    return next(token for token in list_tokens(session) if token.token_id == token_id)


def list_tokens(session: Session, fleet_id: int | None = None) -> list[TokenStatus]:
    """Return every token, or those of one fleet, oldest first."""
    fleets: dict[int, list[str]] = {}
    in_fleet: set[int] = set()
    for token_id, own_fleet_id, name in session.execute(
        select(TokenFleet.token_id, Fleet.id, Fleet.fleet)
        .join(Fleet, Fleet.id == TokenFleet.fleet_id)
        .order_by(Fleet.fleet)
    ):
        fleets.setdefault(token_id, []).append(name)
        if fleet_id in (None, own_fleet_id):
            in_fleet.add(token_id)
    rows = session.execute(
        select(AccessToken, TokenRevocation.revoked_at)
        .outerjoin(TokenRevocation, TokenRevocation.token_id == AccessToken.id)
        .order_by(AccessToken.id)
    )
    return [
        TokenStatus(
            token_id=token.id,
            label=token.label,
            role=Role(token.role),
            workshop_name=token.workshop_name,
            fleets=fleets[token.id],
            created_at=token.created_at,
            expires_at=token.expires_at,
            revoked_at=revoked_at,
        )
        for token, revoked_at in rows
        if token.id in in_fleet
    ]


def _check(
    label: str,
    role: str,
    fleets: Sequence[Fleet],
    workshop_name: str | None,
    expires_at: datetime | None,
    now: datetime,
) -> Role:
    problems: list[Problem] = []
    for pointer, name in (("/label", label), ("/workshop_name", workshop_name)):
        if name is not None and not _is_name(name):
            problems.append(Problem(pointer, "must be one line of 1 to 80 characters"))
    roles = [known.value for known in Role]
    if role not in roles:
        problems.append(Problem("/role", f"must be one of {', '.join(roles)}"))
    if not fleets:
        problems.append(Problem("/fleets", "must name at least one fleet"))
    if expires_at is not None and expires_at <= now:
        problems.append(Problem("/expires_at", "has passed already"))
    if problems:
        raise InvalidInputError(problems)
    return Role(role)


def _is_name(text: str) -> bool:
    try:
        _NAME.validate_python(text)
    except ValidationError:
        return False
    return True


def sha256_of(plain: str) -> str:
    """Return the hash under which a secret of 256 random bits is kept."""
    # A slow password hash would add nothing: 256 random bits cannot be guessed.
    return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()
