"""How many documents were refused or sent again: by day, workshop, kind, reason and field.

Counts only, so that nothing of a refused document is kept: neither its contents nor who typed
it. Fields are those the documents have and workshops those already registered, so there can be
only so many rows a day, and they go after ``KEPT``. Bookkeeping, not truth.
"""

from __future__ import annotations

import logging
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from fleetdb.errors import ConflictError, FleetDbError, InvalidInputError, SameIdOtherBodyError
from fleetdb.records.documents import Document, TestRecord
from fleetdb.records.parsing import parse_object
from fleetdb.store.engine import Store
from fleetdb.store.tables import SentCount, Workshop

KEPT = timedelta(days=400)
SENT_AGAIN = "sent_again"
_CODES: dict[type[Exception], str] = {
    InvalidInputError: "invalid",
    SameIdOtherBodyError: "other_contents",
    ConflictError: "conflict",
    FleetDbError: "other",
}
_OTHER_FIELD = "/?"
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a document that was not stored.

    ``code`` is ``SENT_AGAIN`` or why it was refused, ``pointer`` the first field it was
    refused for ("" the whole), ``workshop`` the sender's ("" not known).
    """

    kind: str
    code: str
    pointer: str
    workshop: str


def refused(kind: str, error: FleetDbError, workshop: str | None) -> Sent:
    """Return what to count of a refused document."""
    code = next(_CODES[cls] for cls in type(error).__mro__ if cls in _CODES)
    pointer = error.problems[0].pointer if isinstance(error, InvalidInputError) else ""
    return Sent(kind, code, _known(pointer), workshop or "")


def sent_again(kind: str, workshop: str | None) -> Sent:
    """Return what to count of a document that was stored before."""
    return Sent(kind, SENT_AGAIN, "", workshop or "")


def workshop_in(text: bytes) -> str | None:
    """Return the workshop that a document's text names, None when it cannot be read."""
    try:
        name = parse_object(text).get("workshop")
    except FleetDbError:
        return None
    return name if isinstance(name, str) else None


def workshop_of(document: Document) -> str | None:
    """Return the workshop that a document names, if it is of a kind that can."""
    return document.workshop if isinstance(document, TestRecord) else None


def note_sent(store: Store, fleet_id: int, sent: Counter[Sent]) -> None:
    """Count what was sent; where that fails it is logged, and nothing else fails by it."""
    if not sent:
        return
    try:
        with store.write() as session:
            _add(session, fleet_id, sent, datetime.now(UTC).date())
    except SQLAlchemyError as error:
        _log.warning("what was refused could not be counted", exc_info=error)


def _add(session: Session, fleet_id: int, sent: Counter[Sent], today: date) -> None:
    names = {entry.workshop for entry in sent}
    registered = set(
        session.scalars(
            select(Workshop.name).where(Workshop.fleet_id == fleet_id, Workshop.name.in_(names))
        )
    )
    counts: Counter[tuple[str, str, str, str]] = Counter()
    for entry, n in sent.items():
        workshop = entry.workshop if entry.workshop in registered else ""
        counts[workshop, entry.kind, entry.code, entry.pointer] += n
    # In one order everywhere, so that two of these never wait for each other in a ring.
    rows = [
        {
            "fleet_id": fleet_id,
            "day": today,
            "workshop": workshop,
            "kind": kind,
            "code": code,
            "pointer": pointer,
            "n": n,
        }
        for (workshop, kind, code, pointer), n in sorted(counts.items())
    ]
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    insert: Any = (sqlite if is_sqlite else postgresql).insert(SentCount)
    upsert = insert.on_conflict_do_update(
        index_elements=["fleet_id", "day", "workshop", "kind", "code", "pointer"],
        set_={"n": SentCount.n + insert.excluded.n},
    )
    for row in rows:
        session.execute(upsert, row)
    session.execute(
        delete(SentCount).where(SentCount.fleet_id == fleet_id, SentCount.day < today - KEPT)
    )


@dataclass(frozen=True, slots=True)
class SentTotal:
    """How often one thing was sent within a period, and on which day the last time."""

    workshop: str
    kind: str
    code: str
    pointer: str
    n: int
    last_day: date


def sent_totals(session: Session, fleet_id: int, first: date, last: date) -> list[SentTotal]:
    """Return what was refused or sent again from ``first`` to ``last``, the most frequent first."""
    key = (SentCount.workshop, SentCount.kind, SentCount.code, SentCount.pointer)
    n = func.sum(SentCount.n)
    statement = (
        select(*key, n, func.max(SentCount.day))
        .where(SentCount.fleet_id == fleet_id, SentCount.day.between(first, last))
        .group_by(*key)
        .order_by(n.desc(), *key)
    )
    return [
        SentTotal(workshop, kind, code, pointer, int(total), day)
        for workshop, kind, code, pointer, total, day in session.execute(statement)
    ]


# Every field of every document and of its parts, which are documents themselves.
_FIELDS = frozenset(name for cls in Document.__subclasses__() for name in cls.model_fields) | {"*"}


def _known(pointer: str) -> str:
    """Return a pointer with numbers as *, and without names that no document has."""
    steps = ["*" if step.isdecimal() else step for step in pointer.split("/")[1:]]
    if not all(step in _FIELDS for step in steps):
        return _OTHER_FIELD
    return "".join(f"/{step}" for step in steps)
