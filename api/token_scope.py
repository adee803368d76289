"""How far an administrator's token reaches: the fleets it serves, and tokens of those alone."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session

from api.calls import Call
from fleetdb.errors import ForbiddenError, InvalidInputError, NotFoundError, Problem
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.tables import Fleet
from fleetdb.store.tokens import TokenStatus, list_tokens


def fleets_for_token(session: Session, call: Call, names: Sequence[str] | None) -> list[Fleet]:
    """Return the fleets called ``names`` (None: the request's own).

    Raises
    ------
    InvalidInputError
        The administrator's token does not serve one of them, or there is none.
    """
    wanted = [call.fleet] if names is None else list(dict.fromkeys(names))
    problems = [
        Problem(f"/fleets/{index}", f"your token serves no fleet {name!r}")
        for index, name in enumerate(names or ())
        if name not in call.caller.fleets
    ]
    if problems:
        raise InvalidInputError(problems)
    return [resolve_fleet(session, name) for name in wanted]


def visible_token(session: Session, call: Call, token_id: int) -> TokenStatus:
    """Return a token that serves any fleet of the caller's.

    Raises
    ------
    NotFoundError
        There is none of this id; one of other fleets looks the same.
    """
    for token in list_tokens(session):
        if token.token_id == token_id and call.caller.fleets.keys() & set(token.fleets):
            return token
    raise NotFoundError("token", str(token_id))


def require_may_revoke(session: Session, call: Call, token_id: int) -> None:
    """Let only an administrator of all its fleets end a token.

    Raises
    ------
    NotFoundError
        As ``visible_token``.
    ForbiddenError
        It serves another fleet too, which would lose it.
    """
    if not set(visible_token(session, call, token_id).fleets) <= call.caller.fleets.keys():
        raise ForbiddenError(
            "the token serves fleets that yours does not; an administrator of all of them "
            "(or the operator, with `fleetdb token revoke`) can end it"
        )
