"""The SQL behind each table of the mirror: one set-based statement per table."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import (
    ColumnElement,
    DateTime,
    Select,
    String,
    Text,
    cast,
    func,
    select,
    type_coerce,
)
from sqlalchemy.orm import InstrumentedAttribute

from fleetdb.records.documents import Kind
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.store.stored_traces import READING_COLUMNS
from fleetdb.store.tables import (
    BuildReading,
    Depot,
    FindingRow,
    FitmentRow,
    Kit,
    KitCalibrationRow,
    LeakReading,
    ProofReading,
    PumpFamilyVersion,
    RecordVoid,
    TestRecordRow,
    TraceFiguresRow,
    TraceRow,
    VehicleIdentity,
    VehicleVersion,
    Workshop,
)
from fleetdb.store.voids import VOIDABLE

Statement = Select[*tuple[Any, ...]]
Key = InstrumentedAttribute[int]


def statement_for(table: str, fleet_id: int, is_sqlite: bool) -> tuple[Statement, Key]:
    """Return a mirror table's statement in the order of its row ids, and the row id's column.

    The columns are those of the table's schema in their order, without the leak per
    cylinder. Times and ids come as the driver has them, ids as hyphenated text.
    """
    statement, row_id, owner = statement_of(table, is_sqlite)
    return statement.where(owner == fleet_id), row_id


def statement_of(table: str, is_sqlite: bool) -> tuple[Statement, Key, Key]:
    """Return the statement of every fleet's rows, the row id's column, and the fleet's."""
    statement, row_id, owner = _STATEMENTS[table](is_sqlite)
    return statement.order_by(row_id), row_id, owner


def _test_records(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = (
        select(
            TestRecordRow.id,
            _id_text(TestRecordRow.record_id, is_sqlite),
            VehicleIdentity.vehicle,
            _moment(TestRecordRow.performed_at, is_sqlite),
            _moment(TestRecordRow.received_at, is_sqlite),
            TestRecordRow.odometer_km,
            TestRecordRow.engine_hours,
            Workshop.name,
            Kit.name,
            TestRecordRow.fuel_temp_c,
            TestRecordRow.crank_rpm,
            TestRecordRow.battery_v,
            ProofReading.duty_pct,
            ProofReading.target_bar,
            ProofReading.actual_bar,
            BuildReading.rate_bar_per_s,
            BuildReading.from_bar,
            BuildReading.to_bar,
            LeakReading.duration_s,
            LeakReading.rail_bar,
        )
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .outerjoin(Workshop, Workshop.id == TestRecordRow.workshop_id)
        .outerjoin(Kit, Kit.id == TestRecordRow.kit_id)
        .outerjoin(ProofReading, ProofReading.test_record_id == TestRecordRow.id)
        .outerjoin(BuildReading, BuildReading.test_record_id == TestRecordRow.id)
        .outerjoin(LeakReading, LeakReading.test_record_id == TestRecordRow.id)
    )
    return statement, TestRecordRow.id, TestRecordRow.fleet_id


def _superseded_records(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    corrected = TestRecordRow.supersedes
    statement = select(TestRecordRow.id, _id_text(corrected, is_sqlite)).where(
        corrected.is_not(None)
    )
    return statement, TestRecordRow.id, TestRecordRow.fleet_id


def _voided_records(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = select(
        RecordVoid.test_record_id, _id_text(TestRecordRow.record_id, is_sqlite)
    ).join(TestRecordRow, TestRecordRow.id == RecordVoid.test_record_id)
    return statement, RecordVoid.test_record_id, RecordVoid.fleet_id


def _fitments(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = select(
        FitmentRow.id,
        _id_text(FitmentRow.fitment_id, is_sqlite),
        VehicleIdentity.vehicle,
        FitmentRow.part,
        FitmentRow.cylinder,
        FitmentRow.serial,
        _moment(FitmentRow.fitted_at, is_sqlite),
        FitmentRow.odometer_km,
        FitmentRow.reason,
    ).join(VehicleIdentity, VehicleIdentity.id == FitmentRow.vehicle_id)
    return statement, FitmentRow.id, FitmentRow.fleet_id


def _vehicles(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = (
        select(
            VehicleVersion.id,
            VehicleIdentity.vehicle,
            VehicleVersion.pump_family,
            VehicleVersion.in_service_on,
            Depot.name,
        )
        .join(VehicleIdentity, VehicleIdentity.id == VehicleVersion.vehicle_id)
        .outerjoin(Depot, Depot.id == VehicleVersion.depot_id)
    )
    return statement, VehicleVersion.id, VehicleVersion.fleet_id


def _pump_families(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    columns = (getattr(PumpFamilyVersion, name) for name in TREND_SCHEMAS["pump_families"].names)
    return select(PumpFamilyVersion.id, *columns), PumpFamilyVersion.id, PumpFamilyVersion.fleet_id


def _findings(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = select(
        FindingRow.id,
        _id_text(FindingRow.finding_id, is_sqlite),
        VehicleIdentity.vehicle,
        FindingRow.part,
        FindingRow.outcome,
        _moment(FindingRow.found_at, is_sqlite),
        FindingRow.odometer_km,
    ).join(VehicleIdentity, VehicleIdentity.id == FindingRow.vehicle_id)
    return statement, FindingRow.id, FindingRow.fleet_id


def _kit_calibrations(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = select(
        KitCalibrationRow.id, Kit.name, _moment(KitCalibrationRow.calibrated_at, is_sqlite)
    ).join(Kit, Kit.id == KitCalibrationRow.kit_id)
    return statement, KitCalibrationRow.id, KitCalibrationRow.fleet_id


def _trace_figures(is_sqlite: bool) -> tuple[Statement, Key, Key]:
    statement = (
        select(
            TraceFiguresRow.id,
            _id_text(TraceRow.trace_id, is_sqlite),
            _id_text(TestRecordRow.record_id, is_sqlite),
            VehicleIdentity.vehicle,
            TraceRow.kind,
            TraceRow.inlet_valve_unplugged,
            TraceFiguresRow.method,
            *(getattr(TraceFiguresRow, name) for name in READING_COLUMNS),
        )
        .join(TraceRow, TraceRow.id == TraceFiguresRow.trace_row_id)
        .join(TestRecordRow, TestRecordRow.id == TraceRow.test_record_id)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
    )
    return statement, TraceFiguresRow.id, TraceFiguresRow.fleet_id


def _voided(kind: Kind) -> Callable[[bool], tuple[Statement, Key, Key]]:
    of = VOIDABLE[kind]
    return lambda _: (select(of.voided_row), of.voided_row, of.voids.fleet_id)


_STATEMENTS: dict[str, Callable[[bool], tuple[Statement, Key, Key]]] = {
    "test_records": _test_records,
    "superseded_records": _superseded_records,
    "voided_records": _voided_records,
    "fitments": _fitments,
    "vehicles": _vehicles,
    "pump_families": _pump_families,
    "findings": _findings,
    "kit_calibrations": _kit_calibrations,
    "voided_fitments": _voided(Kind.FITMENTS),
    "voided_findings": _voided(Kind.FINDINGS),
    "voided_kit_calibrations": _voided(Kind.KIT_CALIBRATIONS),
    "trace_figures": _trace_figures,
}


def _id_text(column: InstrumentedAttribute[Any], is_sqlite: bool) -> ColumnElement[str]:
    text = cast(column, Text)
    if not is_sqlite:
        return text
    # SQLite keeps the 32 digits only; the hyphens stand after the 8th, 12th, 16th and 20th.
    joined = func.substr(text, 1, 8, type_=Text)
    for start, length in ((9, 4), (13, 4), (17, 4), (21, 12)):
        joined = joined + "-" + func.substr(text, start, length, type_=Text)
    return joined


def _moment(column: InstrumentedAttribute[Any], is_sqlite: bool) -> ColumnElement[Any]:
    # SQLite keeps times as text, which Arrow reads a column at a time.
    return type_coerce(column, String() if is_sqlite else DateTime(timezone=True))
