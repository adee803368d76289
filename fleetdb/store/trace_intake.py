"""Taking a trace into the truth: read, looked up, worked out, then stored in one transaction.

The figures are worked out before the transaction begins: a writer must not hold the
database for as long as that takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from fleetdb.errors import ConflictError, NotFoundError, SameIdOtherBodyError
from fleetdb.records.documents import PumpFamily
from fleetdb.store.audit import Change, record_changes
from fleetdb.store.engine import Store
from fleetdb.store.inserting import insert_new
from fleetdb.store.lookup import known_fleet
from fleetdb.store.posters import Poster, require_posted
from fleetdb.store.queries import record_view
from fleetdb.store.rows import received
from fleetdb.store.sent_traces import SentTrace
from fleetdb.store.stored_documents import RecordView
from fleetdb.store.tables import TestRecordRow, TraceFiguresRow, TraceRow
from fleetdb.store.trace_findings import TraceFindings, findings_of, settings_for
from fleetdb.store.trace_originals import compressed, sha256_of
from fleetdb.trace.settings import TraceSettings

MOST_TRACES_OF_A_RECORD = 100
TRACES, TRACE_FIGURES = "traces", "trace_figures"


@dataclass(frozen=True, slots=True)
class AcceptedTrace:
    """A trace that is stored; ``already_there`` True when it had been before."""

    trace_id: UUID
    record_id: UUID
    row_id: int
    already_there: bool


def accept_trace(
    store: Store,
    fleet_id: int,
    sent: SentTrace,
    actor: str,
    token_id: int | None = None,
    poster: Poster | None = None,
) -> AcceptedTrace:
    """Store a trace and its figures.

    ``poster`` limits a workshop to the records it may see.

    Raises
    ------
    NotFoundError
        There is no such test record, or it is not the poster's.
    InvalidInputError
        The trace cannot be of this vehicle: its pressures are more than the rail holds.
    SameIdOtherBodyError
        The trace's id is stored with other contents.
    ConflictError
        The record has as many traces as one may have.
    """
    with store.read() as session:
        view = own_record(session, fleet_id, sent.record_id, poster)
        there = _stored(session, fleet_id, sent)
        family = family_of(session, fleet_id, view)
    if there is not None:
        return there
    findings = findings_of(sent.trace, sent.inlet_valve_unplugged, view.document, family)
    original = compressed(sent.original)
    with store.write() as session:
        return _insert(session, fleet_id, sent, view, original, findings, actor, token_id)


def own_record(
    session: Session, fleet_id: int, record_id: UUID, poster: Poster | None
) -> RecordView:
    """Return a test record that ``poster`` (None: anybody) may see.

    Raises
    ------
    NotFoundError
        There is none, or it is not the poster's.
    """
    view = record_view(session, fleet_id, record_id)
    if poster is not None:
        require_posted(view, poster)
    return view


def family_of(session: Session, fleet_id: int, view: RecordView) -> PumpFamily:
    """Return the version in force at a record's time of its vehicle's pump family.

    Raises
    ------
    NotFoundError
        The vehicle's family is not known (any more than by name).
    """
    document = view.document
    fleet = known_fleet(session, fleet_id, [document.vehicle])
    known = fleet.vehicle(document.vehicle)
    if known is None:
        raise NotFoundError("vehicle", document.vehicle)
    family = fleet.family(known.document.pump_family, document.performed_at.date())
    if family is None:
        raise NotFoundError("pump family", known.document.pump_family)
    return family


def settings_of(
    session: Session, fleet_id: int, view: RecordView, inlet_valve_unplugged: bool | None
) -> TraceSettings:
    """Return what figures of a trace of this record need to know."""
    return settings_for(family_of(session, fleet_id, view), inlet_valve_unplugged)


def figures_values(
    fleet_id: int, trace_row_id: int, findings: TraceFindings, now: datetime
) -> dict[str, Any]:
    """Return the columns of a row of figures."""
    return {
        "fleet_id": fleet_id,
        "trace_row_id": trace_row_id,
        "method": findings.method,
        "computed_at": now,
        "figures": findings.figures,
        "remarks": [
            {"code": r.code, "pointer": r.pointer, "detail": r.detail} for r in findings.remarks
        ],
        **findings.reading_values(),
    }


def _stored(session: Session, fleet_id: int, sent: SentTrace) -> AcceptedTrace | None:
    """Return the trace if it is there, None if its id is free.

    Raises
    ------
    SameIdOtherBodyError
        It is there with other contents.
    """
    there = session.execute(
        select(TraceRow.id, TraceRow.digest).where(
            TraceRow.fleet_id == fleet_id, TraceRow.trace_id == sent.trace_id
        )
    ).one_or_none()
    if there is None:
        return None
    if there.digest != sent.digest:
        raise SameIdOtherBodyError("trace", str(sent.trace_id), "/trace_id")
    return AcceptedTrace(sent.trace_id, sent.record_id, there.id, already_there=True)


def _insert(
    session: Session,
    fleet_id: int,
    sent: SentTrace,
    view: RecordView,
    original: bytes,
    findings: TraceFindings,
    actor: str,
    token_id: int | None,
) -> AcceptedTrace:
    now = datetime.now(UTC)
    # Two traces of one record follow each other, so that neither slips past the count.
    session.execute(
        select(TestRecordRow.id).where(TestRecordRow.id == view.row_id).with_for_update()
    )
    values = {
        **received(fleet_id, now, sent.digest),
        "trace_id": sent.trace_id,
        "test_record_id": view.row_id,
        "kind": sent.trace.kind.value,
        "inlet_valve_unplugged": sent.inlet_valve_unplugged,
        "media_type": sent.media_type,
        "original_zstd": original,
        "original_size_bytes": len(sent.original),
        "original_sha256": sha256_of(sent.original),
        "n_samples": sent.trace.n_samples,
        "rate_hz": sent.trace.rate_hz,
        "posted_by_token_id": token_id,
    }
    inserted = insert_new(session, TraceRow, [values], [TraceRow.id])
    if not inserted:
        # A rival stored it meanwhile: the same contents, or not.
        there = _stored(session, fleet_id, sent)
        if there is None:
            raise ConflictError("clashes with a trace stored at the same moment; send it again")
        return there
    n_traces = session.scalar(
        select(func.count()).where(TraceRow.test_record_id == view.row_id).select_from(TraceRow)
    )
    if n_traces is not None and n_traces > MOST_TRACES_OF_A_RECORD:
        raise ConflictError(
            f"test record {sent.record_id} has {MOST_TRACES_OF_A_RECORD} traces already, "
            "as many as one record may have"
        )
    ((row_id,),) = inserted
    ((figures_row_id,),) = insert_new(
        session,
        TraceFiguresRow,
        [figures_values(fleet_id, row_id, findings, now)],
        [TraceFiguresRow.id],
    )
    detail = {"record_id": str(sent.record_id)}
    changes = [
        Change("accepted", TRACES, row_id, detail),
        Change("computed", TRACE_FIGURES, figures_row_id, {"method": str(findings.method)}),
    ]
    record_changes(session, fleet_id, actor, now, changes)
    return AcceptedTrace(sent.trace_id, sent.record_id, row_id, already_there=False)
