"""How many records of a period carry which remark, by workshop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import distinct, func, select
from sqlalchemy.orm import Session

from fleetdb.store.tables import RecordRemark, TestRecordRow, Workshop


@dataclass(frozen=True, slots=True)
class RemarkCount:
    """``records`` of one ``workshop`` ("" where none is named) with the remark ``code``."""

    workshop: str
    code: str
    records: int


def remark_counts(
    session: Session, fleet_id: int, first_at: datetime, until_at: datetime
) -> list[RemarkCount]:
    """Return the counts of records performed from ``first_at`` and before ``until_at``.

    Superseded and withdrawn records count too: they were sent so.
    """
    workshop = func.coalesce(Workshop.name, "")
    statement = (
        select(workshop, RecordRemark.code, func.count(distinct(TestRecordRow.id)))
        .select_from(RecordRemark)
        .join(TestRecordRow, TestRecordRow.id == RecordRemark.test_record_id)
        .outerjoin(Workshop, Workshop.id == TestRecordRow.workshop_id)
        .where(
            TestRecordRow.fleet_id == fleet_id,
            TestRecordRow.performed_at >= first_at,
            TestRecordRow.performed_at < until_at,
        )
        .group_by(workshop, RecordRemark.code)
        .order_by(workshop, RecordRemark.code)
    )
    return [RemarkCount(*row) for row in session.execute(statement)]
