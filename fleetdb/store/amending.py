"""Corrections: a document withdrawn, a vehicle described anew. What was said before stays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from uuid import UUID

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.errors import ConflictError, InvalidInputError, NotFoundError
from fleetdb.records.digest import digest
from fleetdb.records.documents import Kind, Vehicle
from fleetdb.records.fields import Text
from fleetdb.store.audit import Change, record_changes
from fleetdb.store.ingest import Accepted
from fleetdb.store.inserting import insert_new
from fleetdb.store.intake import Planned, VehicleIntake
from fleetdb.store.past_effects import changed_family
from fleetdb.store.tables import VehicleIdentity, VehicleVersion
from fleetdb.store.voids import VOIDABLE

_REASON = TypeAdapter(Text)


@dataclass(frozen=True, slots=True)
class Voided:
    """A document that is withdrawn; ``already`` True when it was so before."""

    document_id: UUID
    reason: str
    voided_at: datetime
    already: bool


def void_document(
    session: Session, fleet_id: int, kind: Kind, document_id: UUID, reason: str, actor: str
) -> Voided:
    """Withdraw a test record, fitment, finding or calibration (a kind of ``VOIDABLE``).

    It stays, but no answer uses it any more: nor one for a past date.

    Raises
    ------
    NotFoundError
        The fleet has no such document.
    InvalidInputError
        The reason is empty or too long.
    ConflictError
        It is withdrawn already, for another reason.
    """
    _check_reason(reason)
    of = VOIDABLE[kind]
    row_id = session.scalar(
        select(of.table.id).where(of.table.fleet_id == fleet_id, of.key == document_id)
    )
    if row_id is None:
        raise NotFoundError(of.noun, str(document_id))
    now = datetime.now(UTC)
    values = {
        "fleet_id": fleet_id,
        of.voided_row.key: row_id,
        "reason": reason,
        "voided_at": now,
    }
    if insert_new(session, of.voids, [values], [of.voids.id]):
        change = Change("voided", kind.value, row_id, {"reason": reason})
        record_changes(session, fleet_id, actor, now, [change])
        return Voided(document_id, reason, now, already=False)
    void = session.scalars(select(of.voids).where(of.voided_row == row_id)).one()
    if void.reason != reason:
        raise ConflictError(f"{of.noun} {document_id} was voided before: {void.reason}")
    return Voided(document_id, reason, void.voided_at, already=True)


def void_record(
    session: Session, fleet_id: int, record_id: UUID, reason: str, actor: str
) -> Voided:
    """Withdraw a test record: ``void_document`` of that kind."""
    return void_document(session, fleet_id, Kind.TEST_RECORDS, record_id, reason, actor)


def amend_vehicle(
    session: Session, fleet_id: int, document: Vehicle, reason: str, actor: str
) -> Accepted:
    """Add a version of what is known of a vehicle; from now on it rules.

    Raises
    ------
    NotFoundError
        The fleet has no such vehicle.
    InvalidInputError
        The reason is empty or too long, or the document cannot be right.
    """
    _check_reason(reason)
    now = datetime.now(UTC)
    intake = VehicleIntake(session, fleet_id, None, now)
    vehicle_id = session.scalar(
        select(VehicleIdentity.id)
        .where(VehicleIdentity.fleet_id == fleet_id, VehicleIdentity.vehicle == document.vehicle)
        # Two amendments at once must follow each other (SQLite has one writer anyway).
        .with_for_update()
    )
    if vehicle_id is None:
        raise NotFoundError("vehicle", document.vehicle)
    intake.fetch([document])
    problems, remarks = intake.check(document)
    if problems:
        raise InvalidInputError(problems)
    in_force = session.execute(
        select(VehicleVersion.id, VehicleVersion.digest)
        .where(VehicleVersion.vehicle_id == vehicle_id)
        .order_by(VehicleVersion.id.desc())
        .limit(1)
    ).one()
    remarks = [*remarks, *changed_family(session, fleet_id, document)]
    new = Planned(document, digest(document), remarks)
    if in_force.digest == new.digest:
        return Accepted(Kind.VEHICLES, document.vehicle, in_force.id, True, remarks)
    inserted = intake.insert_versions([new], {document.vehicle: vehicle_id}, reason)
    row_id = inserted[document.vehicle]
    change = Change("amended", Kind.VEHICLES.value, row_id, {"reason": reason})
    record_changes(session, fleet_id, actor, now, [change])
    return Accepted(Kind.VEHICLES, document.vehicle, row_id, False, remarks)


def _check_reason(reason: str) -> None:
    try:
        _REASON.validate_python(reason)
    except ValidationError:
        raise InvalidInputError.at(
            "/reason", "a reason is needed: 1 to 2000 printable characters"
        ) from None
