"""What a workshop's token may send and see: its own workshop's records, nobody else's."""

from __future__ import annotations

from typing import TypeVar

from api.calls import Call
from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Document, TestRecord
from fleetdb.store.posters import Poster, require_posted, require_posted_for
from fleetdb.store.stored_documents import RecordView, StoredDocument

D = TypeVar("D", bound=Document)


def from_workshop_of(call: Call, document: D) -> D:
    """Return ``document`` as this caller may send it: a test record under its own workshop.

    A token bound to a workshop signs the records it sends: one without a workshop
    gets the token's name.

    Raises
    ------
    InvalidInputError
        A record names another workshop than the token's; points at /workshop.
    """
    own = call.caller.workshop_name
    if not isinstance(document, TestRecord) or not call.is_workshop or own is None:
        return document
    if document.workshop is None:
        return document.model_copy(update={"workshop": own})
    if document.workshop != own:
        raise InvalidInputError.at(
            "/workshop", f"this token sends for workshop {own!r}; name that one, or none"
        )
    return document


def poster_of(call: Call) -> Poster | None:
    """Return whose records the caller is limited to; None for the fleet's own people."""
    if not call.is_workshop:
        return None
    return Poster(call.caller.token_id, call.caller.workshop_name)


def require_may_see(call: Call, vehicle: str) -> None:
    """Let a workshop ask about vehicles it has sent a test record of, and others about any.

    Raises
    ------
    NotFoundError
        A workshop's token has sent none of this vehicle.
    """
    poster = poster_of(call)
    if poster is not None:
        with call.store.read() as session:
            require_posted_for(session, call.fleet_id, vehicle, poster)


def require_own(call: Call, found: StoredDocument) -> None:
    """Let a workshop read its own test records, and others anything.

    Raises
    ------
    NotFoundError
        The record is another workshop's.
    """
    poster = poster_of(call)
    if poster is not None and isinstance(found, RecordView):
        require_posted(found, poster)
