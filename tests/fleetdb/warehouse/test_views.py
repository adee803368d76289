from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa
import pytest

from fleetdb.errors import FleetDbError
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.store.feed import Mark
from fleetdb.warehouse.layout import mirror_folder
from fleetdb.warehouse.manifest import Manifest
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES, schema_digest
from fleetdb.warehouse.parts import grow
from fleetdb.warehouse.views import open_mirror, parquet_source, register_mirror, register_tables

ROWS: dict[str, list[dict[str, Any]]] = {
    "test_records": [
        {"row_id": 1, "record_id": "r1", "vehicle": "V1", "target_bar": 700.0, "actual_bar": 650.0},
        {"row_id": 2, "record_id": "r2", "vehicle": "V1", "target_bar": 700.0, "actual_bar": 65.0},
        {"row_id": 3, "record_id": "r3", "vehicle": "V2", "target_bar": 700.0, "actual_bar": 0.0},
        {
            "row_id": 4,
            "record_id": "r4",
            "vehicle": "V2",
            "performed_at": datetime(2026, 3, 1, 7, 30),  # noqa: DTZ001 - UTC without a zone
            "leak_duration_s": 60.0,
            "leak_cylinders": [{"cylinder": 1, "ml": 20.0}, {"cylinder": 2, "ml": 22.5}],
        },
    ],
    # r4 corrects r2; r3 was voided.
    "superseded_records": [{"row_id": 4, "record_id": "r2"}],
    "voided_records": [{"row_id": 3, "record_id": "r3"}],
    "vehicles": [
        {"row_id": 1, "vehicle": "V1", "pump_family": "fam-a", "depot": "North"},
        {"row_id": 2, "vehicle": "V2", "pump_family": "fam-a", "depot": "North"},
        {"row_id": 3, "vehicle": "V1", "pump_family": "fam-b", "depot": None},
    ],
    "fitments": [{"row_id": 1, "fitment_id": "f1", "vehicle": "V1", "part": "pump"}],
}


def make_mirror(folder: Path) -> Manifest:
    parts = [
        part
        for name, table in MIRROR_TABLES.items()
        for part in grow(
            folder, table, [], [pa.Table.from_pylist(ROWS.get(name, []), schema=table.schema)]
        )
    ]
    mark = Mark("4a0c", 0, "", 0, 0, ())
    manifest = Manifest(mark, schema_digest(), "2026-03-01T00:00:00Z", tuple(parts), ())
    manifest.write(folder)
    return manifest


@pytest.fixture
def connection(tmp_path: Path):
    # A quote and an equals sign in the path must not matter.
    folder = tmp_path / "it's a=b"
    make_mirror(folder)
    with duckdb.connect() as connection:
        register_mirror(connection, folder)
        yield connection


def test_the_views_have_the_columns_of_the_schemas(connection: duckdb.DuckDBPyConnection) -> None:
    for name, schema in TREND_SCHEMAS.items():
        assert connection.sql(f"FROM {name}").to_arrow_table().schema.equals(schema), name


def test_superseded_and_voided_records_are_left_out(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    rows = connection.execute("SELECT record_id FROM test_records ORDER BY ALL").fetchall()
    assert rows == [("r1",), ("r4",)]


def test_readings_come_as_they_were_mirrored(connection: duckdb.DuckDBPyConnection) -> None:
    rows = connection.execute(
        "SELECT performed_at, leak_duration_s, leak_cylinders FROM test_records "
        "WHERE vehicle = 'V2'"
    ).fetchall()
    leaks = [{"cylinder": 1, "ml": 20.0}, {"cylinder": 2, "ml": 22.5}]
    assert rows == [(datetime(2026, 3, 1, 7, 30), 60.0, leaks)]  # noqa: DTZ001


def test_a_vehicle_is_as_its_last_version_says(connection: duckdb.DuckDBPyConnection) -> None:
    rows = connection.execute(
        "SELECT vehicle, pump_family, depot FROM vehicles ORDER BY vehicle"
    ).fetchall()
    assert rows == [("V1", "fam-b", None), ("V2", "fam-a", "North")]


def test_duckdb_and_polars_agree_over_the_same_files(tmp_path: Path) -> None:
    manifest = make_mirror(tmp_path)
    paths = [tmp_path / part.path for part in manifest.parts_of("test_records")]
    with duckdb.connect() as connection:
        by_duckdb = connection.execute(
            "SELECT vehicle, count(*), max(actual_bar / target_bar) "
            f"FROM {parquet_source(paths)} GROUP BY vehicle ORDER BY vehicle"
        ).fetchall()
    by_polars = (
        pl.read_parquet(paths)
        .group_by("vehicle")
        .agg(pl.len(), (pl.col("actual_bar") / pl.col("target_bar")).max())
        .sort("vehicle")
        .rows()
    )
    # By hand: 650/700 of V1's two; V2's only proof reached nothing.
    assert by_duckdb == by_polars == [("V1", 2, 650 / 700), ("V2", 2, 0.0)]


def test_registering_again_shows_the_newer_state(tmp_path: Path) -> None:
    older = make_mirror(tmp_path)
    with duckdb.connect() as connection:
        register_mirror(connection, tmp_path)
        newer = Manifest(
            older.mark,
            older.schema,
            older.mirrored_at,
            tuple(part for part in older.parts if part.table != "voided_records")
            + tuple(grow(tmp_path, MIRROR_TABLES["voided_records"], [], [])),
            (),
        )
        newer.write(tmp_path)
        assert connection.execute("SELECT count(*) FROM test_records").fetchall() == [(2,)]
        register_mirror(connection, tmp_path)
        assert connection.execute("SELECT count(*) FROM test_records").fetchall() == [(3,)]


def test_without_a_mirror_the_error_says_what_to_run(tmp_path: Path) -> None:
    with (
        pytest.raises(FleetDbError, match="fleetdb mirror sync"),
        open_mirror(tmp_path, 1),
    ):
        pass


def test_a_mirror_is_opened_by_home_and_fleet(tmp_path: Path) -> None:
    make_mirror(mirror_folder(tmp_path, 7))
    with open_mirror(tmp_path, 7) as connection:
        assert connection.execute("SELECT fitment_id FROM fitments").fetchall() == [("f1",)]


def tables() -> dict[str, pa.Table]:
    made = {name: schema.empty_table() for name, schema in TREND_SCHEMAS.items()}
    row = {
        "record_id": "r1",
        "vehicle": "V1",
        "performed_at": datetime(2026, 3, 1, tzinfo=UTC).replace(tzinfo=None),
        "leak_cylinders": [{"cylinder": 1, "ml": 20.0}],
    }
    made["test_records"] = pa.Table.from_pylist([row], schema=TREND_SCHEMAS["test_records"])
    return made


def test_tables_in_memory_give_the_same_views(connection: duckdb.DuckDBPyConnection) -> None:
    with duckdb.connect() as other:
        register_tables(other, tables())
        for name in TREND_SCHEMAS:
            described = f"DESCRIBE {name}"
            columns = [row[:2] for row in connection.execute(described).fetchall()]
            assert [row[:2] for row in other.execute(described).fetchall()] == columns, name
        rows = other.execute("SELECT record_id, leak_cylinders[1].ml FROM test_records").fetchall()
        assert rows == [("r1", 20.0)]


def test_a_missing_table_is_named() -> None:
    made = tables()
    del made["findings"]
    with duckdb.connect() as connection, pytest.raises(ValueError, match="findings"):
        register_tables(connection, made)


def test_a_table_with_other_columns_is_named() -> None:
    made = tables()
    made["vehicles"] = made["vehicles"].drop_columns("depot")
    with duckdb.connect() as connection, pytest.raises(ValueError, match="vehicles"):
        register_tables(connection, made)
