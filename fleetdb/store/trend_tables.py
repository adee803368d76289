"""The tables the trend reads, for one vehicle, straight from the truth."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any
from uuid import UUID

import pyarrow as pa
from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Document, Kind, TestRecord
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.store.stored_documents import (
    Page,
    is_superseded,
    read_documents,
    read_records,
    version_in_force,
)
from fleetdb.store.stored_traces import TraceView
from fleetdb.store.tables import Kit, PumpFamilyVersion, TestRecordRow, VehicleIdentity
from fleetdb.store.voids import is_voided


def trend_tables(session: Session, fleet_id: int, vehicle: str) -> dict[str, pa.Table]:
    """Return the trend's input tables for one vehicle.

    ``test_records`` without superseded and voided ones, ``trace_figures`` (the newest of
    each trace of these records), ``fitments``, ``findings``, ``vehicles`` (the version in
    force), ``pump_families`` (every version of its family) and ``kit_calibrations`` (of
    every kit it was tested with), in the schemas of ``records.trend_schemas``.

    Raises
    ------
    NotFoundError
        The fleet has no such vehicle.
    """
    mine = and_(VehicleIdentity.fleet_id == fleet_id, VehicleIdentity.vehicle == vehicle)
    vehicles = read_documents(session, Kind.VEHICLES, Page(and_(mine, version_in_force())))
    if not vehicles:
        raise NotFoundError("vehicle", vehicle)
    records = read_records(
        session, Page(and_(mine, ~is_superseded(), ~is_voided(Kind.TEST_RECORDS)))
    )
    family = getattr(vehicles[0].document, "pump_family")  # noqa: B009 - a Document, by type
    kits = (
        select(TestRecordRow.kit_id)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(mine)
    )
    return {
        "test_records": _table(
            "test_records", [_record_row(view.document, view.received_at) for view in records]
        ),
        "trace_figures": _table(
            "trace_figures",
            [_trace_row(view.document, trace) for view in records for trace in view.traces],
        ),
        "vehicles": _table("vehicles", [_row(entry.document) for entry in vehicles]),
        **{
            kind.value: _table(
                kind.value,
                [_row(entry.document) for entry in read_documents(session, kind, Page(condition))],
            )
            for kind, condition in (
                (Kind.FITMENTS, and_(mine, ~is_voided(Kind.FITMENTS))),
                (Kind.FINDINGS, and_(mine, ~is_voided(Kind.FINDINGS))),
                (
                    Kind.PUMP_FAMILIES,
                    and_(
                        PumpFamilyVersion.fleet_id == fleet_id,
                        PumpFamilyVersion.pump_family == family,
                    ),
                ),
                (
                    Kind.KIT_CALIBRATIONS,
                    and_(
                        Kit.fleet_id == fleet_id,
                        Kit.id.in_(kits),
                        ~is_voided(Kind.KIT_CALIBRATIONS),
                    ),
                ),
            )
        },
    }


def _table(name: str, values: list[dict[str, Any]]) -> pa.Table:
    schema = TREND_SCHEMAS[name]
    return pa.Table.from_pylist(
        [{field: _plain(row[field]) for field in schema.names} for row in values], schema=schema
    )


def _row(document: Document) -> dict[str, Any]:
    return document.model_dump()


def _record_row(record: TestRecord, received_at: datetime) -> dict[str, Any]:
    values = record.model_dump()
    conditions = values["conditions"] or {}
    proof, build, leak = (values[name] or {} for name in ("proof", "build", "leak"))
    return {
        **values,
        "received_at": received_at,
        **{name: conditions.get(name) for name in ("fuel_temp_c", "crank_rpm", "battery_v")},
        **{name: proof.get(name) for name in ("duty_pct", "target_bar", "actual_bar")},
        **{name: build.get(name) for name in ("rate_bar_per_s", "from_bar", "to_bar")},
        "leak_duration_s": leak.get("duration_s"),
        "leak_rail_bar": leak.get("rail_bar"),
        "leak_cylinders": leak.get("cylinders"),
    }


def _trace_row(record: TestRecord, trace: TraceView) -> dict[str, Any]:
    return {
        "trace_id": trace.trace_id,
        "record_id": record.record_id,
        "vehicle": record.vehicle,
        "kind": trace.kind.value,
        "inlet_valve_unplugged": trace.inlet_valve_unplugged,
        "method": trace.in_force.method,
        **asdict(trace.in_force.readings),
    }


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.replace(tzinfo=None)  # times in the store are UTC
    return str(value) if isinstance(value, UUID) else value
