"""Stored documents read back, a query or two for any number of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVarTuple
from uuid import UUID

from sqlalchemy import ColumnElement, Select, and_, func, select
from sqlalchemy.orm import Session, aliased

from fleetdb.records.documents import Document, Kind, TestRecord
from fleetdb.records.figures import Figures, figures_of
from fleetdb.records.plausibility import Remark
from fleetdb.store import rows
from fleetdb.store.tables import (
    BuildReading,
    CylinderLeakReading,
    Depot,
    FindingRow,
    FitmentRow,
    Kit,
    KitCalibrationRow,
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
    """A document as it stands in the store. ``row_id`` orders documents by arrival."""

    kind: Kind
    row_id: int
    received_at: datetime
    document: Document


@dataclass(frozen=True, slots=True)
class RecordView(StoredDocument):
    """A test record with what it comes to, and what became of it.

    ``void_reason`` and ``voided_at`` are None unless it was withdrawn,
    ``superseded_by`` unless another record corrects it.
    """

    document: TestRecord
    figures: Figures
    remarks: list[Remark]
    superseded_by: UUID | None
    void_reason: str | None
    voided_at: datetime | None
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


def version_in_force() -> ColumnElement[bool]:
    """Return the condition that a vehicle version is the last one of its vehicle."""
    later = aliased(VehicleVersion)
    last = (
        select(func.max(later.id))
        .where(later.vehicle_id == VehicleVersion.vehicle_id)
        .correlate(VehicleVersion)
        .scalar_subquery()
    )
    return VehicleVersion.id == last


def is_superseded() -> ColumnElement[bool]:
    """Return the condition that another record corrects a test record."""
    correction = aliased(TestRecordRow)
    return (
        select(correction.id)
        .where(
            correction.fleet_id == TestRecordRow.fleet_id,
            correction.supersedes == TestRecordRow.record_id,
        )
        .correlate(TestRecordRow)
        .exists()
    )


def is_voided() -> ColumnElement[bool]:
    """Return the condition that a test record was withdrawn."""
    return (
        select(RecordVoid.id)
        .where(RecordVoid.test_record_id == TestRecordRow.id)
        .correlate(TestRecordRow)
        .exists()
    )


def read_documents(session: Session, kind: Kind, page: Page) -> Sequence[StoredDocument]:
    """Return the documents of a page; test records as ``RecordView``."""
    return _READERS[kind](session, page)


def read_records(session: Session, page: Page) -> list[RecordView]:
    """Return the test records of a page."""
    correction = aliased(TestRecordRow)
    statement = (
        select(
            TestRecordRow,
            VehicleIdentity.vehicle,
            Workshop.name,
            Kit.name,
            ProofReading,
            BuildReading,
            LeakReading,
            correction.record_id,
            RecordVoid,
        )
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .outerjoin(Workshop, Workshop.id == TestRecordRow.workshop_id)
        .outerjoin(Kit, Kit.id == TestRecordRow.kit_id)
        .outerjoin(ProofReading, ProofReading.test_record_id == TestRecordRow.id)
        .outerjoin(BuildReading, BuildReading.test_record_id == TestRecordRow.id)
        .outerjoin(LeakReading, LeakReading.test_record_id == TestRecordRow.id)
        .outerjoin(
            correction,
            and_(
                correction.fleet_id == TestRecordRow.fleet_id,
                correction.supersedes == TestRecordRow.record_id,
            ),
        )
        .outerjoin(RecordVoid, RecordVoid.test_record_id == TestRecordRow.id)
    )
    found = session.execute(page.cut(statement, TestRecordRow.id)).all()
    row_ids = [row.id for row, *_ in found]
    cylinders = _by_record(session, CylinderLeakReading, row_ids)
    remarks = _by_record(session, RecordRemark, row_ids)
    views: list[RecordView] = []
    for row, vehicle, workshop, kit, proof, build, leak, superseded_by, void in found:
        document = rows.test_record_document(
            row, vehicle, workshop, kit, proof, build, leak, cylinders.get(row.id, ())
        )
        views.append(
            RecordView(
                kind=Kind.TEST_RECORDS,
                row_id=row.id,
                received_at=row.received_at,
                document=document,
                figures=figures_of(document),
                remarks=[Remark(r.code, r.pointer, r.detail) for r in remarks.get(row.id, ())],
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
    statement = select(KitCalibrationRow, Kit.name).join(Kit, Kit.id == KitCalibrationRow.kit_id)
    return [
        StoredDocument(
            Kind.KIT_CALIBRATIONS, row.id, row.received_at, rows.kit_calibration_document(row, kit)
        )
        for row, kit in session.execute(page.cut(statement, KitCalibrationRow.id))
    ]


def _fitments(session: Session, page: Page) -> list[StoredDocument]:
    statement = select(FitmentRow, VehicleIdentity.vehicle).join(
        VehicleIdentity, VehicleIdentity.id == FitmentRow.vehicle_id
    )
    return [
        StoredDocument(Kind.FITMENTS, row.id, row.received_at, rows.fitment_document(row, vehicle))
        for row, vehicle in session.execute(page.cut(statement, FitmentRow.id))
    ]


def _findings(session: Session, page: Page) -> list[StoredDocument]:
    statement = select(FindingRow, VehicleIdentity.vehicle).join(
        VehicleIdentity, VehicleIdentity.id == FindingRow.vehicle_id
    )
    return [
        StoredDocument(Kind.FINDINGS, row.id, row.received_at, rows.finding_document(row, vehicle))
        for row, vehicle in session.execute(page.cut(statement, FindingRow.id))
    ]


_READERS: dict[Kind, Callable[[Session, Page], Sequence[StoredDocument]]] = {
    Kind.PUMP_FAMILIES: _pump_families,
    Kind.VEHICLES: _vehicles,
    Kind.KIT_CALIBRATIONS: _kit_calibrations,
    Kind.FITMENTS: _fitments,
    Kind.TEST_RECORDS: read_records,
    Kind.FINDINGS: _findings,
}
