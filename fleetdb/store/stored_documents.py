"""Stored documents read back, a query or two for any number of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any, TypeVarTuple
from uuid import UUID

from sqlalchemy import ColumnElement, Select, and_, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from fleetdb.records.documents import Document, Kind, TestRecord
from fleetdb.records.figures import Figures, figures_of
from fleetdb.records.plausibility import NO_READING_YET, Remark
from fleetdb.records.trace_readings import FigureSource, fill
from fleetdb.store import rows
from fleetdb.store.stored_traces import TraceView, traces_by_record
from fleetdb.store.tables import (
    BuildReading,
    CylinderLeakReading,
    Depot,
    FindingRow,
    FindingVoid,
    FitmentRow,
    FitmentVoid,
    Kit,
    KitCalibrationRow,
    KitCalibrationVoid,
    LeakReading,
    ProofReading,
    PumpFamilyVersion,
    RecordRemark,
    RecordVoid,
    TestRecordRow,
    VehicleIdentity,
    VehicleVersion,
    Workshop,
)

Ts = TypeVarTuple("Ts")


@dataclass(frozen=True, slots=True)
class StoredDocument:
    """A document as it stands in the store. ``row_id`` orders documents by arrival.

    ``void_reason`` and ``voided_at`` are None unless it was withdrawn.
    """

    kind: Kind
    row_id: int
    received_at: datetime
    document: Document
    void_reason: str | None = field(default=None, kw_only=True)
    voided_at: datetime | None = field(default=None, kw_only=True)


@dataclass(frozen=True, slots=True)
class RecordView(StoredDocument):
    """A test record with what it comes to, and what became of it.

    ``document`` is as it was sent, ``effective`` with what its traces add; ``figures`` are
    those of ``effective``, and ``figure_sources`` names the trace behind each that was not
    sent. ``remarks`` are the record's own and then what its traces say of it. ``void_reason`` and
    ``voided_at`` are None unless it was withdrawn, ``superseded_by`` unless another record
    corrects it.
    """

    document: TestRecord
    effective: TestRecord
    figures: Figures
    figure_sources: dict[str, FigureSource]
    remarks: list[Remark]
    traces: list[TraceView]
    superseded_by: UUID | None
    posted_by_token_id: int | None


@dataclass(frozen=True, slots=True)
class Page:
    """Which documents to read: a condition, and at most ``limit`` of them after ``after_id``."""

    condition: ColumnElement[bool]
    after_id: int = 0
    limit: int | None = None

    def cut(self, statement: Select[*Ts], row_id: Any) -> Select[*Ts]:
        """Return ``statement`` for this page, in the order of ``row_id``."""
        statement = statement.where(self.condition, row_id > self.after_id).order_by(row_id)
        return statement if self.limit is None else statement.limit(self.limit)


# An alias of a table, and what is said of it, is made once: making it takes as long as the
# database does to answer.
_CORRECTION = aliased(TestRecordRow)


@cache
def version_in_force() -> ColumnElement[bool]:
    """Return the condition that a vehicle version is the last one of its vehicle."""
    return is_newest_of(VehicleVersion.vehicle_id)


def is_newest_of(owner: InstrumentedAttribute[int]) -> ColumnElement[bool]:
    """Return the condition that a row is the last of those with its ``owner``, a column of it."""
    table: Any = owner.class_
    later: Any = aliased(table)
    last = (
        select(func.max(later.id))
        .where(getattr(later, owner.key) == owner)
        .correlate(table)
        .scalar_subquery()
    )
    return table.id == last


@cache
def is_superseded() -> ColumnElement[bool]:
    """Return the condition that another record corrects a test record."""
    return select(_CORRECTION.id).where(_corrects_it()).correlate(TestRecordRow).exists()


def _corrects_it() -> ColumnElement[bool]:
    return and_(
        _CORRECTION.fleet_id == TestRecordRow.fleet_id,
        _CORRECTION.supersedes == TestRecordRow.record_id,
    )


def read_documents(session: Session, kind: Kind, page: Page) -> Sequence[StoredDocument]:
    """Return the documents of a page; test records as ``RecordView``."""
    return _READERS[kind](session, page)


def read_records(session: Session, page: Page) -> list[RecordView]:
    """Return the test records of a page."""
    statement = (
        select(
            TestRecordRow,
            VehicleIdentity.vehicle,
            Workshop.name,
            Kit.name,
            ProofReading,
            BuildReading,
            LeakReading,
            _CORRECTION.record_id,
            RecordVoid,
        )
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .outerjoin(Workshop, Workshop.id == TestRecordRow.workshop_id)
        .outerjoin(Kit, Kit.id == TestRecordRow.kit_id)
        .outerjoin(ProofReading, ProofReading.test_record_id == TestRecordRow.id)
        .outerjoin(BuildReading, BuildReading.test_record_id == TestRecordRow.id)
        .outerjoin(LeakReading, LeakReading.test_record_id == TestRecordRow.id)
        .outerjoin(_CORRECTION, _corrects_it())
        .outerjoin(RecordVoid, RecordVoid.test_record_id == TestRecordRow.id)
    )
    found = session.execute(page.cut(statement, TestRecordRow.id)).all()
    row_ids = [row.id for row, *_ in found]
    cylinders = _by_record(session, CylinderLeakReading, row_ids)
    remarks = _by_record(session, RecordRemark, row_ids)
    traces = traces_by_record(session, row_ids)
    views: list[RecordView] = []
    for row, vehicle, workshop, kit, proof, build, leak, superseded_by, void in found:
        document = rows.test_record_document(
            row, vehicle, workshop, kit, proof, build, leak, cylinders.get(row.id, ())
        )
        own = traces.get(row.id, [])
        filled = fill(document, [(trace.source, trace.in_force.readings) for trace in own])
        views.append(
            RecordView(
                kind=Kind.TEST_RECORDS,
                row_id=row.id,
                received_at=row.received_at,
                document=document,
                effective=filled.record,
                figures=figures_of(filled.record),
                figure_sources=filled.sources,
                remarks=[
                    *(
                        Remark(r.code, r.pointer, r.detail)
                        for r in remarks.get(row.id, ())
                        if r.code != NO_READING_YET or not filled.sources
                    ),
                    *(remark for trace in own for remark in trace.remarks_on_record),
                ],
                traces=own,
                superseded_by=superseded_by,
                void_reason=void and void.reason,
                voided_at=void and void.voided_at,
                posted_by_token_id=row.posted_by_token_id,
            )
        )
    return views


def _by_record(session: Session, table: Any, row_ids: Sequence[int]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    key = list(table.__table__.primary_key.columns)[-1]
    for entry in session.scalars(
        select(table).where(table.test_record_id.in_(row_ids)).order_by(key)
    ):
        found.setdefault(entry.test_record_id, []).append(entry)
    return found


def _pump_families(session: Session, page: Page) -> list[StoredDocument]:
    statement = page.cut(select(PumpFamilyVersion), PumpFamilyVersion.id)
    return [
        StoredDocument(Kind.PUMP_FAMILIES, row.id, row.received_at, rows.pump_family_document(row))
        for row in session.scalars(statement)
    ]


def _vehicles(session: Session, page: Page) -> list[StoredDocument]:
    statement = (
        select(
            VehicleVersion.id,
            VehicleVersion.received_at,
            VehicleIdentity.vehicle,
            Depot.name.label("depot"),
            VehicleVersion.pump_family,
            VehicleVersion.in_service_on,
            VehicleVersion.vin,
            VehicleVersion.registration,
        )
        .join(VehicleIdentity, VehicleIdentity.id == VehicleVersion.vehicle_id)
        .outerjoin(Depot, Depot.id == VehicleVersion.depot_id)
    )
    return [
        StoredDocument(Kind.VEHICLES, row.id, row.received_at, rows.vehicle_document(row))
        for row in session.execute(page.cut(statement, VehicleVersion.id))
    ]


def _kit_calibrations(session: Session, page: Page) -> list[StoredDocument]:
    statement = (
        select(KitCalibrationRow, Kit.name, KitCalibrationVoid)
        .join(Kit, Kit.id == KitCalibrationRow.kit_id)
        .outerjoin(
            KitCalibrationVoid, KitCalibrationVoid.calibration_row_id == KitCalibrationRow.id
        )
    )
    return [
        _voidable(Kind.KIT_CALIBRATIONS, row, rows.kit_calibration_document(row, kit), void)
        for row, kit, void in session.execute(page.cut(statement, KitCalibrationRow.id))
    ]


def _fitments(session: Session, page: Page) -> list[StoredDocument]:
    statement = (
        select(FitmentRow, VehicleIdentity.vehicle, FitmentVoid)
        .join(VehicleIdentity, VehicleIdentity.id == FitmentRow.vehicle_id)
        .outerjoin(FitmentVoid, FitmentVoid.fitment_row_id == FitmentRow.id)
    )
    return [
        _voidable(Kind.FITMENTS, row, rows.fitment_document(row, vehicle), void)
        for row, vehicle, void in session.execute(page.cut(statement, FitmentRow.id))
    ]


def _findings(session: Session, page: Page) -> list[StoredDocument]:
    statement = (
        select(FindingRow, VehicleIdentity.vehicle, FindingVoid)
        .join(VehicleIdentity, VehicleIdentity.id == FindingRow.vehicle_id)
        .outerjoin(FindingVoid, FindingVoid.finding_row_id == FindingRow.id)
    )
    return [
        _voidable(Kind.FINDINGS, row, rows.finding_document(row, vehicle), void)
        for row, vehicle, void in session.execute(page.cut(statement, FindingRow.id))
    ]


def _voidable(kind: Kind, row: Any, document: Document, void: Any) -> StoredDocument:
    return StoredDocument(
        kind,
        row.id,
        row.received_at,
        document,
        void_reason=void and void.reason,
        voided_at=void and void.voided_at,
    )


_READERS: dict[Kind, Callable[[Session, Page], Sequence[StoredDocument]]] = {
    Kind.PUMP_FAMILIES: _pump_families,
    Kind.VEHICLES: _vehicles,
    Kind.KIT_CALIBRATIONS: _kit_calibrations,
    Kind.FITMENTS: _fitments,
    Kind.TEST_RECORDS: read_records,
    Kind.FINDINGS: _findings,
}
