"""The tables the trend reads, for one vehicle, straight from the truth."""

from __future__ import annotations

from functools import cache

import pyarrow as pa
from sqlalchemy import ColumnElement, and_, bindparam, select
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.store.stored_documents import is_newest_of, is_superseded, version_in_force
from fleetdb.store.tables import (
    KitCalibrationRow,
    PumpFamilyVersion,
    TestRecordRow,
    TraceFiguresRow,
    VehicleIdentity,
    VehicleVersion,
)
from fleetdb.store.voids import is_voided
from fleetdb.warehouse.truth_rows import read_statement
from fleetdb.warehouse.truth_statements import Statement, statement_of

_FLEET_ID = bindparam("fleet_id", type_=VehicleIdentity.id.type)
_VEHICLE = bindparam("vehicle", type_=VehicleIdentity.vehicle.type)


def vehicle_tables(session: Session, fleet_id: int, vehicle: str) -> dict[str, pa.Table]:
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
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    asked = {"fleet_id": fleet_id, "vehicle": vehicle}
    tables = {
        name: read_statement(session, name, _statement(name, is_sqlite), asked).select(schema.names)
        for name, schema in TREND_SCHEMAS.items()
    }
    if not len(tables["vehicles"]):
        raise NotFoundError("vehicle", vehicle)
    return tables


@cache
def _statement(table: str, is_sqlite: bool) -> Statement:
    # Built once: building takes longer than asking.
    statement, _, owner = statement_of(table, is_sqlite)
    if table in _OF_FLEETS:
        statement = statement.where(owner == _FLEET_ID)
    return statement.where(_conditions()[table])


_OF_FLEETS = ("pump_families", "kit_calibrations")
"""Others are entered by the vehicle alone: by their fleet, SQLite reads every vehicle's rows."""


@cache
def _conditions() -> dict[str, ColumnElement[bool]]:
    """Return which rows of each table are a vehicle's and count."""
    mine = and_(VehicleIdentity.fleet_id == _FLEET_ID, VehicleIdentity.vehicle == _VEHICLE)
    counts = and_(mine, ~is_superseded(), ~is_voided(Kind.TEST_RECORDS))
    family = (
        select(VehicleVersion.pump_family)
        .join(VehicleIdentity, VehicleIdentity.id == VehicleVersion.vehicle_id)
        .where(mine, version_in_force())
    )
    kits = (
        select(TestRecordRow.kit_id)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(mine)
    )
    return {
        "test_records": counts,
        "trace_figures": and_(counts, is_newest_of(TraceFiguresRow.trace_row_id)),
        "vehicles": and_(mine, version_in_force()),
        "fitments": and_(mine, ~is_voided(Kind.FITMENTS)),
        "findings": and_(mine, ~is_voided(Kind.FINDINGS)),
        "pump_families": PumpFamilyVersion.pump_family.in_(family),
        "kit_calibrations": and_(
            KitCalibrationRow.kit_id.in_(kits), ~is_voided(Kind.KIT_CALIBRATIONS)
        ),
    }
