"""Stored traces read back: how they were sampled, what was made of them, and their originals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.records.plausibility import Remark
from fleetdb.records.trace_readings import FigureSource, TraceReadings
from fleetdb.store.tables import TestRecordRow, TraceFiguresRow, TraceRow
from fleetdb.store.trace_originals import restored
from fleetdb.trace.model import TraceKind

READING_COLUMNS = tuple(field.name for field in fields(TraceReadings))


@dataclass(frozen=True, slots=True)
class Computed:
    """What one version of the method made of a trace: figures, remarks, and what they add."""

    method: int
    computed_at: datetime
    figures: dict[str, Any]
    remarks: list[Remark]
    readings: TraceReadings


@dataclass(frozen=True, slots=True)
class TraceView:
    """A trace as it stands in the store, without its samples.

    ``computed`` holds everything that was ever made of it, oldest first; the last rules.
    ``original_size_bytes`` and ``original_sha256`` are of the bytes as they were received.
    """

    row_id: int
    trace_id: UUID
    record_id: UUID
    received_at: datetime
    kind: TraceKind
    inlet_valve_unplugged: bool | None
    media_type: str
    original_size_bytes: int
    original_sha256: str
    n_samples: int
    rate_hz: float
    computed: Sequence[Computed]

    @property
    def in_force(self) -> Computed:
        return self.computed[-1]

    @property
    def remarks_on_record(self) -> list[Remark]:
        """Those remarks that point into the test record, not into the trace."""
        return [r for r in self.in_force.remarks if r.pointer.startswith(("/proof", "/build"))]

    @property
    def source(self) -> FigureSource:
        """What a figure that this trace fills is said to come from."""
        return FigureSource(self.trace_id, self.in_force.method)


_COLUMNS = (
    TraceRow.id,
    TraceRow.trace_id,
    TestRecordRow.record_id,
    TraceRow.received_at,
    TraceRow.kind,
    TraceRow.inlet_valve_unplugged,
    TraceRow.media_type,
    TraceRow.original_size_bytes,
    TraceRow.original_sha256,
    TraceRow.n_samples,
    TraceRow.rate_hz,
)


def traces_by_record(
    session: Session, test_record_row_ids: Sequence[int]
) -> dict[int, list[TraceView]]:
    """Return the traces of each of these test records that has any, in order of arrival."""
    found = _read(session, TraceRow.test_record_id.in_(test_record_row_ids))
    by_record: dict[int, list[TraceView]] = {}
    for test_record_row_id, view in found:
        by_record.setdefault(test_record_row_id, []).append(view)
    return by_record


def stored_trace(session: Session, fleet_id: int, record_id: UUID, trace_id: UUID) -> TraceView:
    """Return one trace of a test record.

    Raises
    ------
    NotFoundError
        The fleet has no such trace, or it is another record's.
    """
    found = _read(
        session,
        (TraceRow.fleet_id == fleet_id)
        & (TraceRow.trace_id == trace_id)
        & (TestRecordRow.record_id == record_id),
    )
    if not found:
        raise NotFoundError("trace", str(trace_id))
    return found[0][1]


def original_of(session: Session, view: TraceView) -> bytes:
    """Return the original of a trace, byte for byte as it was received.

    Raises
    ------
    DamagedOriginalError
        The store no longer holds what was received.
    """
    stored = session.scalars(select(TraceRow.original_zstd).where(TraceRow.id == view.row_id)).one()
    return restored(stored, view.original_size_bytes, view.original_sha256)


def _read(session: Session, condition: ColumnElement[bool]) -> list[tuple[int, TraceView]]:
    # Columns, not rows: originals are large and hardly ever wanted.
    found = session.execute(
        select(TraceRow.test_record_id, *_COLUMNS)
        .join(TestRecordRow, TestRecordRow.id == TraceRow.test_record_id)
        .where(condition)
        .order_by(TraceRow.id)
    ).all()
    if not found:
        return []
    computed: dict[int, list[Computed]] = {}
    table = TraceFiguresRow
    for row in session.scalars(
        select(table).where(table.trace_row_id.in_([row.id for row in found])).order_by(table.id)
    ):
        computed.setdefault(row.trace_row_id, []).append(_computed(row))
    return [
        (
            row.test_record_id,
            TraceView(
                row_id=row.id,
                trace_id=row.trace_id,
                record_id=row.record_id,
                received_at=row.received_at,
                kind=TraceKind(row.kind),
                inlet_valve_unplugged=row.inlet_valve_unplugged,
                media_type=row.media_type,
                original_size_bytes=row.original_size_bytes,
                original_sha256=row.original_sha256,
                n_samples=row.n_samples,
                rate_hz=row.rate_hz,
                computed=computed[row.id],
            ),
        )
        for row in found
    ]


def _computed(row: TraceFiguresRow) -> Computed:
    return Computed(
        method=row.method,
        computed_at=row.computed_at,
        figures=row.figures,
        remarks=[Remark(**remark) for remark in row.remarks],
        readings=TraceReadings(**{name: getattr(row, name) for name in READING_COLUMNS}),
    )
