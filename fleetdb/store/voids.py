"""Which kinds of document can be withdrawn, and where their withdrawals are kept."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, select

from fleetdb.records.documents import Kind
from fleetdb.store.tables import (
    FindingRow,
    FindingVoid,
    FitmentRow,
    FitmentVoid,
    KitCalibrationRow,
    KitCalibrationVoid,
    RecordVoid,
    TestRecordRow,
)


@dataclass(frozen=True, slots=True)
class Voidable:
    """A kind that can be withdrawn: its table and id, and the table of its withdrawals.

    ``voided_row`` is the column of ``voids`` that names the row withdrawn. (Columns are
    ``Any``: as fields of a class their own type would read as that of their values.)
    """

    noun: str
    table: Any
    key: Any
    voids: Any
    voided_row: Any


VOIDABLE: dict[Kind, Voidable] = {
    Kind.TEST_RECORDS: Voidable(
        "test record",
        TestRecordRow,
        TestRecordRow.record_id,
        RecordVoid,
        RecordVoid.test_record_id,
    ),
    Kind.FITMENTS: Voidable(
        "fitment", FitmentRow, FitmentRow.fitment_id, FitmentVoid, FitmentVoid.fitment_row_id
    ),
    Kind.FINDINGS: Voidable(
        "finding", FindingRow, FindingRow.finding_id, FindingVoid, FindingVoid.finding_row_id
    ),
    Kind.KIT_CALIBRATIONS: Voidable(
        "kit calibration",
        KitCalibrationRow,
        KitCalibrationRow.calibration_id,
        KitCalibrationVoid,
        KitCalibrationVoid.calibration_row_id,
    ),
}


@cache
def is_voided(kind: Kind) -> ColumnElement[bool]:
    """Return the condition that a document of this kind was withdrawn."""
    of = VOIDABLE[kind]
    return select(of.voids.id).where(of.voided_row == of.table.id).correlate(of.table).exists()
