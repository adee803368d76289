"""The kits of a fleet and their calibrations, without counting the tests they took."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.store.tables import Kit, KitCalibrationRow
from fleetdb.store.voids import is_voided


@dataclass(frozen=True, slots=True)
class NamedKit:
    """A kit that some document names, and when it was last calibrated."""

    kit: str
    first_named_at: datetime
    last_calibrated_at: datetime | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration that was recorded and not withdrawn."""

    calibrated_at: datetime
    received_at: datetime
    note: str | None


def named_kits(session: Session, fleet_id: int) -> list[NamedKit]:
    """Return the fleet's kits by name. Cheap however many tests there are."""
    statement = (
        select(Kit.name, Kit.first_named_at, func.max(KitCalibrationRow.calibrated_at))
        .outerjoin(
            KitCalibrationRow,
            (KitCalibrationRow.kit_id == Kit.id) & ~is_voided(Kind.KIT_CALIBRATIONS),
        )
        .where(Kit.fleet_id == fleet_id)
        .group_by(Kit.id, Kit.name, Kit.first_named_at)
        .order_by(Kit.name)
    )
    return [NamedKit(*row) for row in session.execute(statement)]


def calibrations_of(session: Session, fleet_id: int, kit: str) -> list[Calibration]:
    """Return a kit's calibrations, the latest first.

    Raises
    ------
    NotFoundError
        No document of this fleet has named the kit.
    """
    kit_id = session.scalar(select(Kit.id).where(Kit.fleet_id == fleet_id, Kit.name == kit))
    if kit_id is None:
        raise NotFoundError("kit", kit)
    statement = (
        select(
            KitCalibrationRow.calibrated_at, KitCalibrationRow.received_at, KitCalibrationRow.note
        )
        .where(KitCalibrationRow.kit_id == kit_id, ~is_voided(Kind.KIT_CALIBRATIONS))
        .order_by(KitCalibrationRow.calibrated_at.desc(), KitCalibrationRow.id.desc())
    )
    return [Calibration(*row) for row in session.execute(statement)]
