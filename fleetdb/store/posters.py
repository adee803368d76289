"""Which test records a workshop may see: those its token sent, and those of its workshop."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.store.stored_documents import RecordView
from fleetdb.store.tables import AccessToken, TestRecordRow, VehicleIdentity, Workshop
from fleetdb.store.tokens import Role


@dataclass(frozen=True, slots=True)
class Poster:
    """A workshop's token, and the name of its workshop if it is bound to one."""

    token_id: int
    workshop_name: str | None


def poster_of_token(session: Session, token_id: int | None) -> Poster | None:
    """Return whose records a token is limited to; None for the fleet's own people."""
    token = None if token_id is None else session.get(AccessToken, token_id)
    if token is None or token.role != Role.WORKSHOP:
        return None
    return Poster(token.id, token.workshop_name)


def posted_by(poster: Poster, fleet_id: int) -> ColumnElement[bool]:
    """Return the condition that holds for the test records of ``poster``."""
    sent = TestRecordRow.posted_by_token_id == poster.token_id
    if poster.workshop_name is None:
        return sent
    own = select(Workshop.id).where(
        Workshop.fleet_id == fleet_id, Workshop.name == poster.workshop_name
    )
    return or_(sent, TestRecordRow.workshop_id.in_(own))


def is_posted_by(view: RecordView, poster: Poster) -> bool:
    """Tell whether a test record is one of ``poster``'s."""
    own_workshop = poster.workshop_name is not None and (
        view.document.workshop == poster.workshop_name
    )
    return view.posted_by_token_id == poster.token_id or own_workshop


def require_posted(view: RecordView, poster: Poster) -> None:
    """Let a poster near its own test records only.

    Raises
    ------
    NotFoundError
        The record is not the poster's; one that does not exist looks the same.
    """
    if not is_posted_by(view, poster):
        raise NotFoundError("test record", str(view.document.record_id))


def require_posted_for(session: Session, fleet_id: int, vehicle: str, poster: Poster) -> None:
    """Let a poster see verdicts of vehicles it has sent a test record of.

    Raises
    ------
    NotFoundError
        It has sent none of this vehicle, known to the fleet or not.
    """
    found = session.scalar(
        select(TestRecordRow.id)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(
            VehicleIdentity.fleet_id == fleet_id,
            VehicleIdentity.vehicle == vehicle,
            posted_by(poster, fleet_id),
        )
        .limit(1)
    )
    if found is None:
        raise NotFoundError("vehicle", vehicle)
