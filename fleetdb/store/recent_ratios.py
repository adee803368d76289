"""The last proof ratios of some vehicles, in one query: what a small trend line shows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from fleetdb.records.documents import Kind
from fleetdb.store.stored_documents import is_superseded
from fleetdb.store.tables import ProofReading, TestRecordRow, VehicleIdentity
from fleetdb.store.voids import is_voided


def recent_ratios(
    session: Session, fleet_id: int, vehicles: Sequence[str], most: int
) -> dict[str, list[tuple[datetime, float]]]:
    """Return (performed at, proof ratio) of each vehicle's last ``most`` proofs, oldest first.

    Ratios as sent, pressure reached over target, before any correction [-]. Superseded and void
    records are left out, and so are ratios that only a pressure trace gives. A vehicle without
    one is not in the answer.
    """
    newest_first = (
        func.row_number()
        .over(partition_by=TestRecordRow.vehicle_id, order_by=TestRecordRow.performed_at.desc())
        .label("nth")
    )
    proofs = (
        select(
            VehicleIdentity.vehicle,
            TestRecordRow.performed_at,
            (ProofReading.actual_bar / ProofReading.target_bar).label("ratio"),
            newest_first,
        )
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .join(ProofReading, ProofReading.test_record_id == TestRecordRow.id)
        .where(
            VehicleIdentity.fleet_id == fleet_id,
            VehicleIdentity.vehicle.in_(vehicles),
            ~is_superseded(),
            ~is_voided(Kind.TEST_RECORDS),
        )
        .subquery()
    )
    statement = select(proofs).where(proofs.c.nth <= most).order_by(proofs.c.performed_at)
    found: dict[str, list[tuple[datetime, float]]] = {}
    for row in session.execute(statement):
        found.setdefault(row.vehicle, []).append((row.performed_at, row.ratio))
    return found
