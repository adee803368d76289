"""The views the trend reads, over the mirror's files or over tables in memory.

Both have the columns of ``TREND_SCHEMAS``; superseded and voided records and their traces
are left out, a vehicle is shown as the version in force says, a trace with its newest
figures. Beside them is ``trend_settings``, one row: what the fleet set of how it is judged.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import pyarrow as pa

from fleetdb.errors import FleetDbError
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.trend_settings import TrendSettings
from fleetdb.warehouse.layout import mirror_folder
from fleetdb.warehouse.manifest import Manifest, read_manifest
from fleetdb.warehouse.planned import Connection

_VOIDED_BY_ROW = frozenset({"voided_fitments", "voided_findings", "voided_kit_calibrations"})


@contextmanager
def open_mirror(home: Path, fleet_id: int) -> Iterator[duckdb.DuckDBPyConnection]:
    """Give a DuckDB in memory with the views over a fleet's mirror as it now stands.

    What does not fit in memory goes to a temporary folder, removed at the end.

    Raises
    ------
    FleetDbError
        There is no mirror yet, or its manifest cannot be used.
    """
    with (
        TemporaryDirectory(prefix="fleetdb-") as spill,
        duckdb.connect(config={"temp_directory": spill}) as connection,
    ):
        register_mirror(connection, mirror_folder(home, fleet_id))
        yield connection


def register_mirror(connection: duckdb.DuckDBPyConnection, folder: Path) -> Manifest:
    """Create the views over a mirror's files; return the manifest that named them.

    The views stay with this state of the mirror. Its files outlive later syncs by
    the mirror's grace period; register again for a newer state.

    Raises
    ------
    FleetDbError
        There is no mirror in this folder, or its manifest cannot be used.
    """
    manifest = read_manifest(folder)
    if manifest is None:
        raise FleetDbError("there is no mirror yet: run `fleetdb mirror sync`")
    for name, schema in TREND_SCHEMAS.items():
        columns = ", ".join(f"row.{column}" for column in schema.names)
        source = _files(folder, manifest, name)
        connection.execute(
            f"CREATE OR REPLACE VIEW {name} AS "  # noqa: S608 - names of our own, paths quoted
            f"SELECT {columns} FROM {source} AS row " + _restriction(name, folder, manifest)
        )
    _register_settings(connection, manifest.settings)
    return manifest


def register_tables(
    connection: Connection,
    tables: Mapping[str, pa.Table],
    settings: TrendSettings = TrendSettings(),  # noqa: B008 - frozen
) -> None:
    """Create the same views over Arrow tables that hold no withdrawn record.

    Raises
    ------
    ValueError
        A table is missing or has not the columns of its schema.
    """
    for name, schema in TREND_SCHEMAS.items():
        if name not in tables:
            raise ValueError(f"the table {name} is missing")
        if not tables[name].schema.equals(schema):
            raise ValueError(f"the table {name} has columns {tables[name].schema.names}")
        connection.register(name, tables[name])
    _register_settings(connection, settings)


def trend_settings_in(connection: Connection) -> TrendSettings:
    """Return the settings of the fleet whose views are in ``connection``."""
    [row] = connection.table("trend_settings").to_arrow_table().to_pylist()
    return TrendSettings(**row)


def _register_settings(connection: Connection, settings: TrendSettings) -> None:
    connection.register("trend_settings", pa.Table.from_pylist([asdict(settings)]))


def parquet_source(paths: list[Path]) -> str:
    """Return the SQL that reads Parquet files; a view cannot take bound values."""
    quoted = ", ".join("'" + str(path).replace("'", "''") + "'" for path in paths)
    return f"read_parquet([{quoted}], hive_partitioning = false)"


def _files(folder: Path, manifest: Manifest, table: str) -> str:
    return parquet_source([folder / part.path for part in manifest.parts_of(table)])


def _restriction(name: str, folder: Path, manifest: Manifest) -> str:
    if f"voided_{name}" in _VOIDED_BY_ROW:
        voided = _files(folder, manifest, f"voided_{name}")
        return f"ANTI JOIN {voided} AS voided USING (row_id)"
    if name in ("test_records", "trace_figures"):
        superseded = _files(folder, manifest, "superseded_records")
        voided = _files(folder, manifest, "voided_records")
        restriction = (
            f"ANTI JOIN {superseded} AS superseded USING (record_id) "
            f"ANTI JOIN {voided} AS voided USING (record_id)"
        )
        return restriction if name == "test_records" else f"{restriction} {_newest_of('trace_id')}"
    return _newest_of("vehicle") if name == "vehicles" else ""


def _newest_of(column: str) -> str:
    return f"QUALIFY row_number() OVER (PARTITION BY row.{column} ORDER BY row.row_id DESC) = 1"
