"""The newest test records: of a vehicle, and those that a workshop has sent."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import ColumnElement, Select, select, true
from sqlalchemy.orm import Session

from fleetdb.records.documents import Kind
from fleetdb.store.posters import Poster, posted_by
from fleetdb.store.stored_documents import Page, RecordView, is_superseded, read_records
from fleetdb.store.tables import TestRecordRow, VehicleIdentity, Workshop
from fleetdb.store.voids import is_voided


def recent_records(
    session: Session, fleet_id: int, poster: Poster | None, most: int
) -> list[RecordView]:
    """Return the ``most`` records received last, newest first; those of ``poster`` only, if any."""
    return _views(session, _newest_rows(session, fleet_id, poster, most))


def recent_vehicles(
    session: Session, fleet_id: int, poster: Poster | None, most_records: int
) -> list[str]:
    """Return the vehicles of the ``most_records`` records received last, each once."""
    row_ids = _newest_rows(session, fleet_id, poster, most_records)
    rows = session.execute(
        select(TestRecordRow.id, VehicleIdentity.vehicle)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(TestRecordRow.id.in_(row_ids))
        .order_by(TestRecordRow.id.desc())
    )
    return list(dict.fromkeys(vehicle for _, vehicle in rows))


def last_record(
    session: Session, fleet_id: int, vehicle: str, poster: Poster | None
) -> RecordView | None:
    """Return the vehicle's test performed last, of those that ``poster`` may see.

    What is superseded or withdrawn is passed over.
    """
    row_id = session.scalar(
        select(TestRecordRow.id)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(
            VehicleIdentity.fleet_id == fleet_id,
            VehicleIdentity.vehicle == vehicle,
            true() if poster is None else posted_by(poster, fleet_id),
            ~is_superseded(),
            ~is_voided(Kind.TEST_RECORDS),
        )
        .order_by(TestRecordRow.performed_at.desc(), TestRecordRow.id.desc())
        .limit(1)
    )
    return None if row_id is None else _views(session, [row_id])[0]


def _newest_rows(
    session: Session, fleet_id: int, poster: Poster | None, most: int
) -> Sequence[int]:
    mine = TestRecordRow.fleet_id == fleet_id
    if poster is None:
        return session.scalars(_newest(mine, most)).all()
    # One walk down an index for each way of being the poster's: with both in one
    # condition a fleet's every record would be looked at.
    ways = [mine & (TestRecordRow.posted_by_token_id == poster.token_id)]
    if poster.workshop_name is not None:
        own = select(Workshop.id).where(
            Workshop.fleet_id == fleet_id, Workshop.name == poster.workshop_name
        )
        ways.append(mine & (TestRecordRow.workshop_id == own.scalar_subquery()))
    found: set[int] = set()
    for way in ways:
        found.update(session.scalars(_newest(way, most)))
    return sorted(found, reverse=True)[:most]


def _newest(condition: ColumnElement[bool], most: int) -> Select[int]:
    return select(TestRecordRow.id).where(condition).order_by(TestRecordRow.id.desc()).limit(most)


def _views(session: Session, row_ids: Sequence[int]) -> list[RecordView]:
    views = read_records(session, Page(TestRecordRow.id.in_(row_ids)))
    return sorted(views, key=lambda view: -view.row_id)
