"""The kits of a fleet: how much they were used, and when they were last calibrated."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from fleetdb.records.documents import Kind
from fleetdb.store.tables import Kit, KitCalibrationRow, TestRecordRow, Workshop
from fleetdb.store.voids import is_voided


@dataclass(frozen=True, slots=True)
class KitUse:
    """One kit. ``n_tests`` counts every record that names it, superseded and void ones too;
    ``last_calibrated_at`` leaves withdrawn calibrations out.
    """

    kit: str
    first_named_at: datetime
    n_tests: int
    last_test_at: datetime | None
    last_calibrated_at: datetime | None


def kit_names(session: Session, fleet_id: int) -> list[str]:
    """Return the names of the fleet's kits."""
    return list(
        session.scalars(select(Kit.name).where(Kit.fleet_id == fleet_id).order_by(Kit.name))
    )


def workshop_names(session: Session, fleet_id: int) -> list[str]:
    """Return the names of the workshops that have sent records."""
    statement = select(Workshop.name).where(Workshop.fleet_id == fleet_id)
    return list(session.scalars(statement.order_by(Workshop.name)))


def list_kits(session: Session, fleet_id: int) -> list[KitUse]:
    """Return the kits by name. A fleet has few, so all at once."""
    tests = (
        select(
            TestRecordRow.kit_id,
            func.count().label("n_tests"),
            func.max(TestRecordRow.performed_at).label("last_test_at"),
        )
        .where(TestRecordRow.fleet_id == fleet_id, TestRecordRow.kit_id.is_not(None))
        .group_by(TestRecordRow.kit_id)
        .subquery()
    )
    calibrations = (
        select(
            KitCalibrationRow.kit_id,
            func.max(KitCalibrationRow.calibrated_at).label("last_calibrated_at"),
        )
        .where(KitCalibrationRow.fleet_id == fleet_id, ~is_voided(Kind.KIT_CALIBRATIONS))
        .group_by(KitCalibrationRow.kit_id)
        .subquery()
    )
    statement = (
        select(
            Kit.name,
            Kit.first_named_at,
            func.coalesce(tests.c.n_tests, 0),
            tests.c.last_test_at,
            calibrations.c.last_calibrated_at,
        )
        .outerjoin(tests, tests.c.kit_id == Kit.id)
        .outerjoin(calibrations, calibrations.c.kit_id == Kit.id)
        .where(Kit.fleet_id == fleet_id)
        .order_by(Kit.name)
    )
    return [KitUse(*row) for row in session.execute(statement)]
