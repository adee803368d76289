"""The views the trend reads, over a few rows written out in a test."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

import duckdb
import pyarrow as pa
import pytest

from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.warehouse.views import register_tables

Row = dict[str, Any]

START = datetime(2024, 1, 1)  # noqa: DTZ001 - the trend's times are UTC without a zone
FAMILY: Row = {
    "pump_family": "fam",
    "rail_max_bar": 1600.0,
    "proof_duty_pct": 45.0,
    "proof_target_bar": 700.0,
    "cylinders": 4,
    "proof_ratio_limit": 0.8,
    "reference_fuel_temp_c": 40.0,
    "reference_crank_rpm": 200.0,
}


def day(number: float) -> datetime:
    """Return the time ``number`` days after the start of 2024."""
    return START + timedelta(days=number)


def vehicle(name: str = "V1", **fields: Any) -> Row:
    """Return a vehicle in service since the start of 2023."""
    return {
        "vehicle": name,
        "pump_family": "fam",
        "in_service_on": datetime(2023, 1, 1).date(),  # noqa: DTZ001
        "depot": "North",
        **fields,
    }


def record(name: str, at: float, ratio: float | None = None, **fields: Any) -> Row:
    """Return a test of vehicle ``name`` on day ``at``, at reference conditions."""
    row: Row = {
        "record_id": f"{name}@{at:09.3f}",
        "vehicle": name,
        "performed_at": day(at),
        "received_at": day(at),
        "fuel_temp_c": 40.0,
        "crank_rpm": 200.0,
    }
    if ratio is not None:
        row |= {"duty_pct": 45.0, "target_bar": 700.0, "actual_bar": 700.0 * ratio}
    return {**row, **fields}


def leak(duration_s: float, rail_bar: float | None, *ml: float) -> Row:
    """Return the fields of a leak run, cylinders numbered from 1."""
    return {
        "leak_duration_s": duration_s,
        "leak_rail_bar": rail_bar,
        "leak_cylinders": [{"cylinder": c, "ml": value} for c, value in enumerate(ml, start=1)],
    }


def pump(name: str, at: float, serial: str | None = None, **fields: Any) -> Row:
    """Return a pump fitted on day ``at``."""
    return {
        "fitment_id": f"pump-{name}-{at}",
        "vehicle": name,
        "part": "pump",
        "serial": serial,
        "fitted_at": day(at),
        **fields,
    }


def finding(name: str, at: float, outcome: str, part: str = "pump") -> Row:
    return {
        "finding_id": f"{name}-{at}",
        "vehicle": name,
        "part": part,
        "outcome": outcome,
        "found_at": day(at),
    }


def arrow_tables(**rows: Iterable[Row]) -> dict[str, pa.Table]:
    """Return all tables the trend reads; one family and one vehicle unless given."""
    rows = {"pump_families": [FAMILY], "vehicles": [vehicle()], **rows}
    return {
        name: pa.Table.from_pylist(
            [{column: row.get(column) for column in schema.names} for row in rows.get(name, [])],
            schema=schema,
        )
        for name, schema in TREND_SCHEMAS.items()
    }


def connect(**rows: Iterable[Row]) -> duckdb.DuckDBPyConnection:
    """Return a DuckDB with the views over ``rows`` by table name."""
    connection = duckdb.connect()
    register_tables(connection, arrow_tables(**rows))
    return connection


def assert_same(one: Row, other: Row) -> None:
    """Check that two rows are equal, numbers but for the last digits."""
    for column, value in one.items():
        if isinstance(value, float):
            assert other[column] == pytest.approx(value, rel=1e-6, abs=1e-9), column
        else:
            assert other[column] == value, column
