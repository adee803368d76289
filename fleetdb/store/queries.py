"""Questions to the truth: one record, a page of documents, the history of a vehicle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, and_, select, true
from sqlalchemy.orm import Session

from fleetdb.errors import InvalidInputError, NotFoundError, Problem
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.plausibility import Remark
from fleetdb.store.posters import Poster, posted_by
from fleetdb.store.stored_documents import (
    Page,
    RecordView,
    StoredDocument,
    is_superseded,
    read_documents,
    read_records,
    version_in_force,
)
from fleetdb.store.tables import (
    Depot,
    FindingRow,
    FitmentRow,
    Kit,
    KitCalibrationRow,
    PumpFamilyVersion,
    TestRecordRow,
    VehicleIdentity,
    VehicleVersion,
    Workshop,
)
from fleetdb.store.voids import is_voided

LARGEST_PAGE = 5_000


@dataclass(frozen=True, slots=True)
class DocumentFilter:
    """Which documents of a kind are wanted; None asks for nothing.

    ``from_time`` and ``until_time`` bound when the thing happened (performed,
    fitted, found, calibrated), from inclusive, until exclusive. ``poster`` limits to
    the test records that a workshop may see.
    """

    vehicle: str | None = None
    pump_family: str | None = None
    depot: str | None = None
    workshop: str | None = None
    kit: str | None = None
    part: str | None = None
    poster: Poster | None = None
    from_time: datetime | None = None
    until_time: datetime | None = None


@dataclass(frozen=True, slots=True)
class VehicleHistory:
    """A vehicle, every version of it oldest first, and what happened to it in time order."""

    vehicle: str
    versions: Sequence[StoredDocument]
    events: list[tuple[datetime, StoredDocument]]


_TABLES: dict[Kind, Any] = {
    Kind.PUMP_FAMILIES: PumpFamilyVersion,
    Kind.VEHICLES: VehicleVersion,
    Kind.KIT_CALIBRATIONS: KitCalibrationRow,
    Kind.FITMENTS: FitmentRow,
    Kind.TEST_RECORDS: TestRecordRow,
    Kind.FINDINGS: FindingRow,
}

_NAMED: dict[str, Any] = {"depot": Depot, "workshop": Workshop, "kit": Kit}

# When what a document tells of happened; pump families and vehicles are not events.
_EVENT_TIMES: dict[Kind, str] = {
    Kind.KIT_CALIBRATIONS: "calibrated_at",
    Kind.FITMENTS: "fitted_at",
    Kind.TEST_RECORDS: "performed_at",
    Kind.FINDINGS: "found_at",
}


def record_view(session: Session, fleet_id: int, record_id: UUID) -> RecordView:
    """Return one test record.

    Raises
    ------
    NotFoundError
        The fleet has no such record.
    """
    condition = and_(TestRecordRow.fleet_id == fleet_id, TestRecordRow.record_id == record_id)
    views = read_records(session, Page(condition))
    if not views:
        raise NotFoundError("test record", str(record_id))
    return views[0]


def list_documents(
    session: Session,
    fleet_id: int,
    kind: Kind,
    after_id: int = 0,
    limit: int = 100,
    filters: DocumentFilter | None = None,
) -> Sequence[StoredDocument]:
    """Return up to ``limit`` documents of a kind whose row is after ``after_id``, by row.

    The next page follows the last row of this one. Vehicles come in the version in
    force; test records as ``RecordView``, superseded and voided ones too.

    Raises
    ------
    InvalidInputError
        ``limit`` is out of range, or the kind has nothing a filter could apply to.
    """
    if not 1 <= limit <= LARGEST_PAGE:
        raise InvalidInputError.at("/limit", f"must be from 1 to {LARGEST_PAGE}")
    conditions = _conditions(fleet_id, kind, filters or DocumentFilter())
    return read_documents(session, kind, Page(and_(true(), *conditions), after_id, limit))


def odometer_remark(session: Session, fleet_id: int, record: TestRecord) -> Remark | None:
    """Say so when the record's distance is below that of the nearest earlier record.

    Asked when a receipt is made and not stored: it depends on what has arrived.
    """
    if record.odometer_km is None:
        return None
    before = session.execute(
        select(TestRecordRow.odometer_km, TestRecordRow.performed_at)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(
            VehicleIdentity.fleet_id == fleet_id,
            VehicleIdentity.vehicle == record.vehicle,
            TestRecordRow.performed_at < record.performed_at,
            TestRecordRow.odometer_km.is_not(None),
            TestRecordRow.record_id != record.record_id,
            ~is_superseded(),
            ~is_voided(Kind.TEST_RECORDS),
        )
        .order_by(TestRecordRow.performed_at.desc())
        .limit(1)
    ).one_or_none()
    if before is None or before.odometer_km is None or before.odometer_km <= record.odometer_km:
        return None
    return Remark(
        "odometer_below_earlier",
        "/odometer_km",
        f"{record.odometer_km:g} km is below the {before.odometer_km:g} km "
        f"of {before.performed_at:%Y-%m-%d}",
    )


def vehicle_history(session: Session, fleet_id: int, vehicle: str) -> VehicleHistory:
    """Return what the fleet knows of a vehicle: fitments, tests and findings in time order.

    Raises
    ------
    NotFoundError
        The fleet has no such vehicle.
    """
    mine = and_(VehicleIdentity.fleet_id == fleet_id, VehicleIdentity.vehicle == vehicle)
    versions = read_documents(session, Kind.VEHICLES, Page(mine))
    if not versions:
        raise NotFoundError("vehicle", vehicle)
    events: list[tuple[datetime, StoredDocument]] = []
    for kind in (Kind.FITMENTS, Kind.TEST_RECORDS, Kind.FINDINGS):
        for entry in read_documents(session, kind, Page(mine)):
            events.append((getattr(entry.document, _EVENT_TIMES[kind]), entry))
    events.sort(key=lambda event: event[0])
    return VehicleHistory(vehicle, versions, events)


def _conditions(fleet_id: int, kind: Kind, filters: DocumentFilter) -> list[ColumnElement[bool]]:
    table = _TABLES[kind]
    conditions: list[ColumnElement[bool]] = [table.fleet_id == fleet_id]
    if kind is Kind.VEHICLES:
        conditions.append(version_in_force())
    problems: list[Problem] = []
    for entry in fields(filters):
        value = getattr(filters, entry.name)
        if value is None:
            continue
        if entry.name == "poster":
            condition = posted_by(value, fleet_id) if kind is Kind.TEST_RECORDS else None
        else:
            condition = _condition(kind, table, entry.name, value)
        if condition is None:
            problems.append(Problem(f"/{entry.name}", f"does not apply to {kind.value}"))
        else:
            conditions.append(condition)
    if problems:
        raise InvalidInputError(problems)
    return conditions


def _condition(kind: Kind, table: Any, name: str, value: Any) -> ColumnElement[bool] | None:
    """Return the condition of one filter, or None when the kind has nothing it applies to."""
    if name == "vehicle":
        return VehicleIdentity.vehicle == value if hasattr(table, "vehicle_id") else None
    if name in _NAMED:
        return _NAMED[name].name == value if hasattr(table, f"{name}_id") else None
    if name in ("from_time", "until_time"):
        if kind not in _EVENT_TIMES:
            return None
        moment = getattr(table, _EVENT_TIMES[kind])
        return moment >= value if name == "from_time" else moment < value
    return getattr(table, name) == value if hasattr(table, name) else None
