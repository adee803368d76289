"""What changed since a mark: the audit trail read as a feed that misses no commit.

On SQLite one writer at a time makes the order of ids the order of commits: all that
is new lies above the last id. On PostgreSQL an entry's id is drawn when it is
written and seen when its transaction commits, so an entry may appear below ids
already seen. Each entry carries its transaction's id. At the moment of a mark the
database knows ``xmin``, the oldest transaction then running, and ``xmax``, the next
one to start:

- a transaction below ``xmin`` had ended: its entries were seen at the mark;
- one from ``xmax`` on had not started: its entries have ids above the last one seen,
  since ids are drawn from a rising sequence;
- one between may have been running: its entries are looked for again at any id, and
  those already taken are told by their ids, which the mark remembers.

Nothing waits for a long transaction, and only its own entries come late.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, Text, cast, func, select
from sqlalchemy.orm import Session

from fleetdb.records.documents import Kind
from fleetdb.store.installation import installation_id
from fleetdb.store.tables import AuditEntry

# What the mirror follows of each kind's withdrawals.
VOIDS = {
    Kind.TEST_RECORDS.value: "record_voids",
    Kind.FITMENTS.value: "fitment_voids",
    Kind.FINDINGS.value: "finding_voids",
    Kind.KIT_CALIBRATIONS.value: "kit_calibration_voids",
}
# A trace says something to the mirror through its figures, each time they are worked out.
TRACE_FIGURES = "trace_figures"
_FOLLOWED = frozenset({*(kind.value for kind in Kind), TRACE_FIGURES})
_FETCH_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Mark:
    """How far the feed of one fleet has been read, and of which database."""

    installation_id: str
    last_id: int
    last_entry: str
    xmin: int
    xmax: int
    taken: tuple[int, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the mark as JSON values."""
        return {
            "installation_id": self.installation_id,
            "last_id": self.last_id,
            "last_entry": self.last_entry,
            "xmin": self.xmin,
            "xmax": self.xmax,
            "taken": list(self.taken),
        }

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> Mark:
        """Return the mark that ``to_json`` gave."""
        return cls(**{**values, "taken": tuple(values["taken"])})


@dataclass(frozen=True, slots=True)
class Changes:
    """The new mark, and the rows that came since the old one.

    ``row_ids`` holds, by kind of document, the ids of new rows (for vehicles: of
    new versions) in rising order; under ``record_voids`` and its like the documents voided,
    under ``trace_figures`` the rows of newly worked out figures of traces.
    """

    mark: Mark
    row_ids: dict[str, list[int]]

    @property
    def count(self) -> int:
        return sum(len(ids) for ids in self.row_ids.values())


def mark_now(session: Session, fleet_id: int) -> Mark:
    """Return the mark that stands for everything ``session`` can see.

    The session must see one unchanging state (``Store.read``), and what is read
    beside the mark must be read with the same session.
    """
    xmin, xmax = _running_transactions(session)
    last = session.execute(
        _entry_columns()
        .where(AuditEntry.fleet_id == fleet_id)
        .order_by(AuditEntry.id.desc())
        .limit(1)
    ).first()
    taken: Sequence[int] = ()
    if xmin < xmax:  # otherwise nothing was running
        maybe_running = _maybe_running(fleet_id, xmin, xmax)
        taken = session.scalars(
            select(AuditEntry.id).where(*maybe_running).order_by(AuditEntry.id)
        ).all()
    return Mark(
        installation_id=str(installation_id(session)),
        last_id=last.id if last else 0,
        last_entry=_described(last) if last else "",
        xmin=xmin,
        xmax=xmax,
        taken=tuple(taken),
    )


def why_not_of_this_feed(session: Session, fleet_id: int, mark: Mark) -> str | None:
    """Say why ``mark`` cannot have come from this database's feed, or None when it can."""
    if mark.installation_id != str(installation_id(session)):
        return "the mirror is of another database"
    if mark.last_id:
        entry = session.execute(
            _entry_columns().where(AuditEntry.fleet_id == fleet_id, AuditEntry.id == mark.last_id)
        ).first()
        if entry is None:
            return "the mirror is ahead of the database, which was restored to an earlier state"
        if _described(entry) != mark.last_entry:
            return "the database was restored and went on differently from the mirror"
    # A dump restored into another server starts counting transactions anew.
    if _running_transactions(session)[1] < mark.xmax:
        return "the database was moved to another server"
    return None


def changes_since(session: Session, fleet_id: int, mark: Mark) -> Changes:
    """Return what the session can see of ``fleet_id`` that ``mark`` had not.

    The session must see one unchanging state (``Store.read``).
    """
    taken = set(mark.taken)
    # Two queries, each with an index of its own: joined by OR, they would read the
    # whole trail.
    risen = [AuditEntry.fleet_id == fleet_id, AuditEntry.id > mark.last_id]
    queries = [risen]
    if mark.xmin < mark.xmax:
        late = [*_maybe_running(fleet_id, mark.xmin, mark.xmax), AuditEntry.id <= mark.last_id]
        queries.append(late)
    new = (
        entry
        for conditions in queries
        for entry in session.execute(
            select(AuditEntry.id, AuditEntry.action, AuditEntry.subject, AuditEntry.subject_row_id)
            .where(*conditions)
            .execution_options(yield_per=_FETCH_ROWS)
        )
        if entry.id not in taken
    )
    return Changes(mark=mark_now(session, fleet_id), row_ids=_by_kind(new))


def _by_kind(entries: Iterable[tuple[Any, ...]]) -> dict[str, list[int]]:
    row_ids: dict[str, set[int]] = {}
    for _, action, subject, row_id in entries:
        if action == "voided":
            row_ids.setdefault(VOIDS[subject], set()).add(row_id)
        elif subject in _FOLLOWED:
            row_ids.setdefault(subject, set()).add(row_id)
    return {kind: sorted(ids) for kind, ids in row_ids.items()}


def _maybe_running(fleet_id: int, xmin: int, xmax: int) -> list[ColumnElement[bool]]:
    return [
        AuditEntry.fleet_id == fleet_id,
        AuditEntry.written_by >= xmin,
        AuditEntry.written_by < xmax,
    ]


def _running_transactions(session: Session) -> tuple[int, int]:
    if session.get_bind().dialect.name != "postgresql":
        return 0, 0
    snapshot = func.pg_current_snapshot()
    # xid8 has no direct cast to bigint.
    xmin, xmax = (
        cast(cast(edge, Text), BigInteger)
        for edge in (func.pg_snapshot_xmin(snapshot), func.pg_snapshot_xmax(snapshot))
    )
    row = session.execute(select(xmin, xmax)).one()
    return row[0], row[1]


def _entry_columns() -> Any:
    return select(
        AuditEntry.id,
        AuditEntry.at,
        AuditEntry.action,
        AuditEntry.subject,
        AuditEntry.subject_row_id,
    )


def _described(entry: Any) -> str:
    return f"{entry.at.isoformat()} {entry.action} {entry.subject} {entry.subject_row_id}"
