from __future__ import annotations

from datetime import datetime
from typing import Any

import pyarrow as pa
import pytest

from fleetdb.records.documents import Kind
from fleetdb.warehouse import truth_rows
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES
from fleetdb.warehouse.truth_rows import read_rows


def rows(fleet: Any, table: str, *args: Any, **options: Any) -> list[dict[str, Any]]:
    with fleet.store.read() as session:
        batches = list(read_rows(session, fleet.fleet_id, table, *args, **options))
    schema = MIRROR_TABLES[table].schema
    assert all(batch.schema.equals(schema) for batch in batches)
    return pa.concat_tables([schema.empty_table(), *batches]).to_pylist()


def test_a_record_comes_with_all_its_readings(fleet: Any) -> None:
    document = fleet.record(
        record_id="00000000-0000-4000-8000-00000000abcd",
        performed_at="2025-03-30T02:30:00.000001+02:00",
        engine_hours=12.5,
        leak={
            "duration_s": 60,
            "cylinders": [{"cylinder": 2, "ml": 3.5}, {"cylinder": 1, "ml": 1.25}],
        },
    )
    fleet.accept(Kind.TEST_RECORDS, [document])
    (row,) = rows(fleet, "test_records")
    assert isinstance(row.pop("received_at"), datetime)
    assert row.pop("row_id") > 0
    assert row == {
        "record_id": "00000000-0000-4000-8000-00000000abcd",
        "vehicle": "V00",
        "performed_at": datetime(2025, 3, 30, 0, 30, 0, 1),  # noqa: DTZ001 - UTC, no zone
        "odometer_km": 1000.0,
        "engine_hours": 12.5,
        "workshop": "Workshop 0",
        "kit": "Kit 0",
        "fuel_temp_c": 30.5,
        "crank_rpm": 201.0,
        "battery_v": 12.1,
        "duty_pct": 45.0,
        "target_bar": 700.0,
        "actual_bar": 600.0,
        "rate_bar_per_s": 310.25,
        "from_bar": 50.0,
        "to_bar": 300.0,
        "leak_duration_s": 60.0,
        "leak_rail_bar": None,
        "leak_cylinders": [{"cylinder": 1, "ml": 1.25}, {"cylinder": 2, "ml": 3.5}],
    }


def test_what_was_not_given_is_null(fleet: Any) -> None:
    record = fleet.record(build={"rate_bar_per_s": 0})
    minimal = {name: record[name] for name in ("record_id", "vehicle", "performed_at", "build")}
    fleet.accept(Kind.TEST_RECORDS, [minimal])
    (row,) = rows(fleet, "test_records")
    given = {name for name, value in row.items() if value is not None}
    assert given == {
        "row_id",
        "record_id",
        "vehicle",
        "performed_at",
        "received_at",
        "rate_bar_per_s",
    }


@pytest.mark.parametrize("batch_rows", [1, 7, 20, 100])
def test_batches_of_any_size_hold_every_row_once(sqlite_fleet: Any, batch_rows: int) -> None:
    keys = sqlite_fleet.add_records(20)
    found = rows(sqlite_fleet, "test_records", batch_rows=batch_rows)
    assert sorted(row["record_id"] for row in found) == sorted(keys)
    for row in found:
        has_leak = row["leak_duration_s"] is not None
        assert (row["leak_cylinders"] is not None) == has_leak
        if has_leak:
            assert [entry["cylinder"] for entry in row["leak_cylinders"]] == [1, 2, 3, 4]
            # The maker of records puts the record's number into each figure.
            number = row["odometer_km"] - 1000
            assert row["leak_cylinders"][1]["ml"] == 20 + 2 / 8 + number


def test_only_the_rows_asked_for_are_read(
    sqlite_fleet: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(truth_rows, "_BATCH_IDS", 3)
    sqlite_fleet.add_records(20)
    wanted = [1, 2, 5, 8, 9, 10, 11, 19]
    found = rows(sqlite_fleet, "test_records", wanted)
    assert [row["row_id"] for row in found] == wanted
    assert all(row["leak_cylinders"] or row["leak_duration_s"] is None for row in found)
    assert rows(sqlite_fleet, "test_records", []) == []


def test_every_other_table_can_be_read(fleet: Any) -> None:
    first, second = fleet.add_records(2)
    fleet.void(first)
    correction = fleet.accept(Kind.TEST_RECORDS, [fleet.record(supersedes=second)])[0]
    fleet.add_one_of_each_other_kind()
    trace_id = fleet.add_trace(correction.key, inlet_valve_unplugged=True)
    (superseded,) = rows(fleet, "superseded_records")
    assert superseded == {"row_id": correction.row_id, "record_id": second}
    (voided,) = rows(fleet, "voided_records")
    assert voided["record_id"] == first
    (fitment,) = rows(fleet, "fitments")
    assert fitment["cylinder"] == 2
    assert fitment["fitted_at"] == datetime(2025, 2, 3, 2, 5, 6, 789000)  # noqa: DTZ001
    (finding,) = rows(fleet, "findings")
    assert finding["outcome"] == "worn_confirmed"
    (calibration,) = rows(fleet, "kit_calibrations")
    assert calibration["kit"] == "Kit 0"
    (trace,) = rows(fleet, "trace_figures")
    assert (trace["trace_id"], trace["record_id"]) == (str(trace_id), correction.key)
    assert (trace["kind"], trace["inlet_valve_unplugged"]) == ("proof", True)
    assert trace["proof_target_bar"] == 700.0
    assert trace["strokes_told_apart"] is None
    (family,) = rows(fleet, "pump_families")
    assert (family["proof_target_bar"], family["applies_from"]) == (700.0, None)
    vehicles = rows(fleet, "vehicles")
    assert [row["vehicle"] for row in vehicles] == fleet.vehicles
    assert {row["depot"] for row in vehicles} == {"North"}
