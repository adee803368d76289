"""What new settings do to verdicts of the past.

A test is judged by the family version of its date, and by the family that its vehicle is
said to have now. So a version that applies from before tests already stored, and a vehicle
given another family, change verdicts that people have seen, and what a past date's
verdict is reproduced as. They are accepted, with a remark.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, time

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from fleetdb.records.documents import Kind, PumpFamily, Vehicle
from fleetdb.records.plausibility import Remark
from fleetdb.store.stored_documents import is_superseded, version_in_force
from fleetdb.store.tables import TestRecordRow, VehicleIdentity, VehicleVersion
from fleetdb.store.voids import is_voided


def back_dated(
    session: Session,
    fleet_id: int,
    version: PumpFamily,
    others: Iterable[PumpFamily],
    received_at: datetime,
) -> list[Remark]:
    """Return a remark when records stored before ``version`` come to be judged by it.

    ``others`` are the other versions of the family. The earliest version holds for all
    earlier tests too, so a new earliest one reaches back without end.
    """
    starts = [other.applies_from or date.min for other in others]
    if not starts:
        return []
    start = version.applies_from or date.min
    ends = [other for other in starts if other > start]
    conditions: list[ColumnElement[bool]] = [
        VehicleVersion.fleet_id == fleet_id,
        VehicleVersion.pump_family == version.pump_family,
        TestRecordRow.received_at < received_at,
    ]
    if start > min(starts):
        conditions.append(TestRecordRow.performed_at >= _midnight(start))
    if ends:
        conditions.append(TestRecordRow.performed_at < _midnight(min(ends)))
    tests = _tests(session, *conditions)
    if tests is None:
        return []
    return [
        Remark(
            "back_dated",
            "/applies_from",
            f"{tests} are judged by this version from now on: verdicts on those pumps change, "
            "also those worked out for past dates",
        )
    ]


def changed_family(session: Session, fleet_id: int, vehicle: Vehicle) -> list[Remark]:
    """Return a remark when ``vehicle`` has tests judged as another family's so far."""
    tests = _tests(
        session,
        VehicleVersion.fleet_id == fleet_id,
        VehicleIdentity.vehicle == vehicle.vehicle,
        VehicleVersion.pump_family != vehicle.pump_family,
    )
    if tests is None:
        return []
    return [
        Remark(
            "other_family",
            "/pump_family",
            f"{tests} are judged as {vehicle.pump_family}'s from now on: verdicts on this "
            "vehicle's pumps change, also those worked out for past dates",
        )
    ]


def _tests(session: Session, *conditions: ColumnElement[bool]) -> str | None:
    """Say how many tests that count there are, and from when to when; None without any."""
    moment = TestRecordRow.performed_at
    n_tests, first, last = session.execute(
        select(func.count(), func.min(moment), func.max(moment))
        .select_from(TestRecordRow)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .join(VehicleVersion, VehicleVersion.vehicle_id == VehicleIdentity.id)
        .where(version_in_force(), ~is_superseded(), ~is_voided(Kind.TEST_RECORDS), *conditions)
    ).one()
    if n_tests == 0:
        return None
    noun = "test" if n_tests == 1 else "tests"
    return f"{n_tests} {noun} stored before, of {first:%Y-%m-%d} to {last:%Y-%m-%d},"


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time.min, UTC)
