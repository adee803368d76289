"""One stored document by the id its sender gave it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, and_
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind, PumpFamily
from fleetdb.records.plausibility import family_in_force
from fleetdb.store.stored_documents import (
    Page,
    StoredDocument,
    read_documents,
    version_in_force,
)
from fleetdb.store.tables import (
    FindingRow,
    FitmentRow,
    KitCalibrationRow,
    PumpFamilyVersion,
    TestRecordRow,
    VehicleIdentity,
)


def _is(fleet_column: Any, id_column: Any) -> Callable[[int, Any], ColumnElement[bool]]:
    return lambda fleet_id, key: and_(fleet_column == fleet_id, id_column == key)


_IDS: dict[Kind, Callable[[int, Any], ColumnElement[bool]]] = {
    Kind.PUMP_FAMILIES: _is(PumpFamilyVersion.fleet_id, PumpFamilyVersion.pump_family),
    Kind.VEHICLES: lambda fleet_id, key: and_(
        VehicleIdentity.fleet_id == fleet_id, VehicleIdentity.vehicle == key, version_in_force()
    ),
    Kind.KIT_CALIBRATIONS: _is(KitCalibrationRow.fleet_id, KitCalibrationRow.calibration_id),
    Kind.FITMENTS: _is(FitmentRow.fleet_id, FitmentRow.fitment_id),
    Kind.TEST_RECORDS: _is(TestRecordRow.fleet_id, TestRecordRow.record_id),
    Kind.FINDINGS: _is(FindingRow.fleet_id, FindingRow.finding_id),
}


def stored_document(session: Session, fleet_id: int, kind: Kind, key: str | UUID) -> StoredDocument:
    """Return the document of this kind and id: of a family or vehicle, the version in force.

    Raises
    ------
    NotFoundError
        The fleet has none.
    """
    found = read_documents(session, kind, Page(_IDS[kind](fleet_id, key)))
    if not found:
        raise NotFoundError(kind.value.replace("_", " "), str(key))
    if kind is Kind.PUMP_FAMILIES:
        families = {
            entry.document: entry for entry in found if isinstance(entry.document, PumpFamily)
        }
        in_force = family_in_force(families, datetime.now(UTC).date())
        return families[in_force] if in_force is not None else found[0]
    return found[0]
