"""The trend's inputs for one vehicle, straight from the truth."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import event

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.store import trace_findings
from fleetdb.store.amending import amend_vehicle, void_record
from fleetdb.store.engine import Store
from fleetdb.store.trace_recomputing import recompute_traces
from fleetdb.trace.figures import METHOD, figures_of
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from tests.documents import EXAMPLES, document_of, post
from tests.traces import post_trace


@pytest.fixture
def fleet(store: Store) -> Store:
    for kind in Kind:
        post(store, kind, **EXAMPLES[kind])
    post_trace(store, EXAMPLES[Kind.TEST_RECORDS]["record_id"])
    post(store, Kind.VEHICLES, vehicle="V-18", pump_family="fam-x")
    post(store, Kind.TEST_RECORDS, vehicle="V-18", kit="gauge 8")
    post(store, Kind.KIT_CALIBRATIONS, kit="gauge 8")
    return store


def test_the_tables_have_the_schemas_that_the_trend_reads(fleet: Store) -> None:
    with fleet.read() as session:
        tables = vehicle_tables(session, 1, "V-17")

    assert {name: table.schema for name, table in tables.items()} == TREND_SCHEMAS
    assert {name: table.num_rows for name, table in tables.items()} == dict.fromkeys(tables, 1)


def test_a_record_is_one_row_with_times_in_utc(fleet: Store) -> None:
    with fleet.read() as session:
        tables = vehicle_tables(session, 1, "V-17")

    [row] = tables["test_records"].to_pylist()
    received_at = row.pop("received_at")
    assert received_at.tzinfo is None
    assert row == {
        "record_id": "00000000-0000-4000-8000-000000000001",
        "vehicle": "V-17",
        "performed_at": datetime(2024, 6, 3, 6, 30),  # noqa: DTZ001 - the schema has no zone
        "odometer_km": 61250.5,
        "engine_hours": 1800.0,
        "workshop": "north shop",
        "kit": "gauge 3",
        "fuel_temp_c": 38.5,
        "crank_rpm": 195.0,
        "battery_v": 24.6,
        "duty_pct": 45.0,
        "target_bar": 700.0,
        "actual_bar": 650.0,
        "rate_bar_per_s": 310.0,
        "from_bar": 100.0,
        "to_bar": 600.0,
        "leak_duration_s": 30.0,
        "leak_rail_bar": 400.0,
        "leak_cylinders": [
            {"cylinder": 1, "ml": 12.0},
            {"cylinder": 2, "ml": 14.5},
            {"cylinder": 3, "ml": 11.0},
            {"cylinder": 4, "ml": 13.0},
        ],
    }
    [vehicle] = tables["vehicles"].to_pylist()
    assert vehicle["in_service_on"] == date(2022, 3, 1)


def test_superseded_and_voided_records_are_left_out(fleet: Store) -> None:
    post(fleet, Kind.TEST_RECORDS, supersedes=EXAMPLES[Kind.TEST_RECORDS]["record_id"], note="new")
    void = post(fleet, Kind.TEST_RECORDS)
    with fleet.write() as session:
        void_record(session, 1, UUID(void.key), "wrong vehicle", "tests")

    with fleet.read() as session:
        records = vehicle_tables(session, 1, "V-17")["test_records"]

    assert records.num_rows == 1
    assert records["record_id"].to_pylist()[0] not in (
        void.key,
        EXAMPLES[Kind.TEST_RECORDS]["record_id"],
    )


def test_readings_not_taken_are_null(fleet: Store) -> None:
    post(fleet, Kind.VEHICLES, vehicle="V-19")
    post(
        fleet,
        Kind.TEST_RECORDS,
        vehicle="V-19",
        **dict.fromkeys(("proof", "leak", "conditions", "kit", "workshop")),
    )

    with fleet.read() as session:
        tables = vehicle_tables(session, 1, "V-19")

    [row] = tables["test_records"].to_pylist()
    assert row["rate_bar_per_s"] == 310.0
    empty = ("actual_bar", "target_bar", "leak_cylinders", "leak_duration_s", "fuel_temp_c", "kit")
    assert [row[name] for name in empty] == [None] * 6
    assert tables["kit_calibrations"].num_rows == 0


def test_the_family_is_that_of_the_version_in_force(fleet: Store) -> None:
    for rail_max_bar, applies_from in ((1700.0, None), (1800.0, date(2024, 1, 1))):
        post(
            fleet,
            Kind.PUMP_FAMILIES,
            pump_family="fam-y",
            rail_max_bar=rail_max_bar,
            applies_from=applies_from,
        )
    with fleet.write() as session:
        vehicle = document_of(Kind.VEHICLES, pump_family="fam-y", depot="south yard")
        amend_vehicle(session, 1, vehicle, "was misread", "tests")  # pyright: ignore[reportArgumentType]

    with fleet.read() as session:
        tables = vehicle_tables(session, 1, "V-17")

    [version] = tables["vehicles"].to_pylist()
    assert (version["pump_family"], version["depot"]) == ("fam-y", "south yard")
    assert sorted(tables["pump_families"]["rail_max_bar"].to_pylist()) == [1700.0, 1800.0]


def test_only_the_newest_figures_of_a_trace_count(
    fleet: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def newer(*args: Any) -> Any:
        figures = figures_of(*args)
        object.__setattr__(figures, "method", figures.method + 1)
        return figures

    monkeypatch.setattr(trace_findings, "figures_of", newer)
    assert recompute_traces(fleet, 1, "tests").changed == 1

    with fleet.read() as session:
        figures = vehicle_tables(session, 1, "V-17")["trace_figures"]
        of_another = vehicle_tables(session, 1, "V-18")["trace_figures"]

    assert figures["method"].to_pylist() == [METHOD + 1]
    assert len(of_another) == 0


def test_a_vehicles_rows_are_found_by_the_vehicle_however_many_others_there_are(
    sqlite_store: Store,
) -> None:
    post(sqlite_store, Kind.PUMP_FAMILIES)
    post(sqlite_store, Kind.VEHICLES)
    steps: list[str] = []

    def explain(connection: Any, cursor: Any, sql: str, values: Any, *_: Any) -> None:
        plan = connection.connection.cursor().execute(f"EXPLAIN QUERY PLAN {sql}", values)
        steps.extend(row[3] for row in plan.fetchall())

    with sqlite_store.read() as session:
        event.listen(session.get_bind(), "before_cursor_execute", explain)
        vehicle_tables(session, 1, "V-17")
        event.remove(session.get_bind(), "before_cursor_execute", explain)

    assert sum("SEARCH vehicles USING" in step for step in steps) >= len(TREND_SCHEMAS)
    for step in steps:
        assert not step.startswith("SCAN"), step
        # By its fleet a table is read whole; what calibrations there are of kits is little.
        by_fleet_alone = step.endswith("(fleet_id=?)") and "kit_calibrations" not in step
        assert not by_fleet_alone, step


def test_an_unknown_vehicle_has_no_tables(fleet: Store) -> None:
    with fleet.read() as session:
        for fleet_id, vehicle in ((1, "V-99"), (2, "V-17")):
            with pytest.raises(NotFoundError):
                vehicle_tables(session, fleet_id, vehicle)
