"""Working out figures of stored traces anew, from their originals.

A newer method, or settings of the family that were corrected, give other figures: they are
added, never put in the place of the old ones, and rule from then on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.errors import InvalidInputError
from fleetdb.records.parsing import parse_object
from fleetdb.store.audit import Change, record_changes
from fleetdb.store.engine import Store
from fleetdb.store.inserting import insert_new
from fleetdb.store.queries import record_view
from fleetdb.store.sent_traces import TraceEnvelope
from fleetdb.store.stored_traces import TraceView, original_of, stored_trace
from fleetdb.store.tables import TestRecordRow, TraceFiguresRow, TraceRow
from fleetdb.store.trace_findings import TraceFindings, findings_of
from fleetdb.store.trace_intake import TRACE_FIGURES, family_of, figures_values
from fleetdb.trace.model import Trace
from fleetdb.trace.reading import JSON, read_trace, trace_of_document


@dataclass(frozen=True, slots=True)
class Recomputed:
    """What became of the traces of a fleet.

    ``changed`` were given new figures, ``unchanged`` give the same; ``refused`` names those
    that the present method refuses and why: they keep the figures they have.
    """

    changed: int
    unchanged: int
    refused: list[tuple[TraceView, InvalidInputError]]


def trace_of(original: bytes, view: TraceView) -> Trace:
    """Return the samples in a stored trace's original.

    Raises
    ------
    InvalidInputError
        The present readers refuse what an earlier one took.
    """
    if view.media_type != JSON:
        return read_trace(original, view.media_type, view.kind)
    document = parse_object(original)
    for name in TraceEnvelope.model_fields:
        document.pop(name, None)
    return trace_of_document(document, view.kind)


def recompute_traces(
    store: Store, fleet_id: int, actor: str, progress: Callable[[int, int], None] | None = None
) -> Recomputed:
    """Work out the figures of every trace of a fleet anew; add those that are not as they were.

    Each trace is a transaction of its own: interrupted, it is simply run again.

    Parameters
    ----------
    progress
        Called with how many traces are done, and how many there are.
    """
    with store.read() as session:
        ids = session.execute(
            select(TestRecordRow.record_id, TraceRow.trace_id)
            .join(TestRecordRow, TestRecordRow.id == TraceRow.test_record_id)
            .where(TraceRow.fleet_id == fleet_id)
            .order_by(TraceRow.id)
        ).all()
    changed = 0
    refused: list[tuple[TraceView, InvalidInputError]] = []
    for done, (record_id, trace_id) in enumerate(ids, start=1):
        with store.read() as session:
            view = stored_trace(session, fleet_id, record_id, trace_id)
            record = record_view(session, fleet_id, record_id)
            family = family_of(session, fleet_id, record)
            original = original_of(session, view)
        try:
            findings = findings_of(
                trace_of(original, view), view.inlet_valve_unplugged, record.document, family
            )
        except InvalidInputError as error:
            refused.append((view, error))
        else:
            with store.write() as session:
                changed += _add(session, fleet_id, view, findings, actor)
        if progress is not None:
            progress(done, len(ids))
    return Recomputed(changed, len(ids) - changed - len(refused), refused)


def _add(
    session: Session, fleet_id: int, view: TraceView, findings: TraceFindings, actor: str
) -> bool:
    """Add figures unless they are those in force; tell whether they were added."""
    # Two runs at once follow each other here, and the second finds nothing to add.
    session.execute(select(TraceRow.id).where(TraceRow.id == view.row_id).with_for_update())
    rows: Sequence[TraceFiguresRow] = session.scalars(
        select(TraceFiguresRow)
        .where(TraceFiguresRow.trace_row_id == view.row_id)
        .order_by(TraceFiguresRow.id.desc())
        .limit(1)
    ).all()
    now = datetime.now(UTC)
    values = figures_values(fleet_id, view.row_id, findings, now)
    same = ("method", "figures", "remarks", *findings.reading_values())
    if rows and all(getattr(rows[0], name) == values[name] for name in same):
        return False
    ((row_id,),) = insert_new(session, TraceFiguresRow, [values], [TraceFiguresRow.id])
    change = Change("computed", TRACE_FIGURES, row_id, {"method": str(findings.method)})
    record_changes(session, fleet_id, actor, now, [change])
    return True
