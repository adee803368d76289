"""Counting what was not stored: documents refused, and documents sent again.

Over REST they come as texts, from the pages as what was typed or stood in a row.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from api.calls import Call
from api.once import Answer
from fleetdb.errors import FleetDbError, InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.records.typed_record import pointer_of
from fleetdb.store.sent_counts import Sent, note_sent, refused, sent_again, workshop_in


def counted(
    call: Call, kind: str, body: bytes | None, work: Callable[[], Answer]
) -> Callable[[], Answer]:
    """Return ``work`` that also counts a document of ``kind`` that it refused or knew.

    ``body`` is the document's text, None for what is no JSON.
    """

    def do() -> Answer:
        try:
            answer = work()
        except FleetDbError as error:
            note(call, Counter([refused(kind, error, workshop_of_call(call, body))]))
            raise
        if answer.status == 200:
            note(call, Counter([sent_again(kind, workshop_of_call(call, body))]))
        return answer

    return do


def typed_refused(call: Call, entry: str, workshop: str) -> Sent:
    """Return what to count of a typed test record refused for ``entry``, "" for the whole.

    ``workshop`` is the one that was typed, "" for none.
    """
    error = InvalidInputError.at(pointer_of(entry), "")
    return refused(Kind.TEST_RECORDS.value, error, call.caller.workshop_name or workshop)


def typed_again(call: Call, workshop: str) -> Sent:
    """Return what to count of a typed test record that was stored before."""
    return sent_again(Kind.TEST_RECORDS.value, call.caller.workshop_name or workshop)


def workshop_of_call(call: Call, text: bytes | None) -> str | None:
    """Return the workshop a document comes from: the token's or else the one it names."""
    own = call.caller.workshop_name
    return own if own is not None or text is None else workshop_in(text)


def note(call: Call, sent: Counter[Sent]) -> None:
    """Add to the counts of the caller's fleet; never fails the request."""
    note_sent(call.store, call.fleet_id, sent)
