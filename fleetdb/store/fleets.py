"""Fleets (tenants): finding the one meant, and adding another."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.errors import ConflictError, InvalidInputError, NotFoundError
from fleetdb.store.audit import Change, record_changes
from fleetdb.store.inserting import insert_new
from fleetdb.store.tables import Fleet

DEFAULT_FLEET = "fleet"


class UnknownFleetError(NotFoundError):
    """Raised when no fleet has the name asked for."""

    def __init__(self, name: str) -> None:
        super().__init__("fleet", name)
        self.args = (f"there is no fleet called {name!r}",)


def resolve_fleet(session: Session, name: str | None) -> Fleet:
    """Return the fleet called ``name``, or the only one when no name is given.

    Raises
    ------
    UnknownFleetError
        No fleet has this name, or there is no fleet at all.
    InvalidInputError
        No name was given and there are several fleets; the message lists them.
    """
    if name is not None:
        fleet = session.scalar(select(Fleet).where(Fleet.fleet == name))
        if fleet is None:
            raise UnknownFleetError(name)
        return fleet
    fleets = list_fleets(session)
    if not fleets:
        raise UnknownFleetError(DEFAULT_FLEET)
    if len(fleets) > 1:
        names = ", ".join(fleet.fleet for fleet in fleets)
        raise InvalidInputError.at("", f"there are several fleets, name one: {names}")
    return fleets[0]


def list_fleets(session: Session) -> list[Fleet]:
    """Return every fleet, by name."""
    return list(session.scalars(select(Fleet).order_by(Fleet.fleet)))


def add_fleet(session: Session, name: str, actor: str) -> Fleet:
    """Add a fleet called ``name``.

    Raises
    ------
    InvalidInputError
        The name is empty, longer than 80 characters, or not one clean line.
    ConflictError
        There is one already.
    """
    if not 1 <= len(name) <= 80 or name != name.strip() or not name.isprintable():
        raise InvalidInputError.at(
            "/fleet", "a fleet's name is one line of 1 to 80 characters without outer blanks"
        )
    fleet = _insert(session, name, actor)
    if fleet is None:
        raise ConflictError(f"there is already a fleet called {name!r}")
    return fleet


def ensure_default_fleet(
    read: Callable[[], AbstractContextManager[Session]],
    write: Callable[[], AbstractContextManager[Session]],
) -> None:
    """Create the fleet called "fleet" where there is none, so that one fleet needs no name."""
    with read() as session:
        if session.scalar(select(Fleet.id).limit(1)) is not None:
            return
    with write() as session:
        if session.scalar(select(Fleet.id).limit(1)) is None:
            _insert(session, DEFAULT_FLEET, "fleetdb")


def _insert(session: Session, name: str, actor: str) -> Fleet | None:
    now = datetime.now(UTC)
    row = {"fleet": name, "created_at": now}
    inserted = insert_new(session, Fleet, [row], [Fleet.id, Fleet.fleet])
    if not inserted:
        return None
    fleet_id = inserted[0][0]
    record_changes(
        session, fleet_id, actor, now, [Change("added", "fleets", fleet_id, {"fleet": name})]
    )
    return session.get_one(Fleet, fleet_id)
