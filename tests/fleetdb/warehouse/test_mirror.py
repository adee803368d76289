from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.store.fleets import add_fleet
from fleetdb.store.ingest import accept_many
from fleetdb.store.trend_settings import keep_trend_settings
from fleetdb.trend_settings import TrendSettings
from fleetdb.warehouse import mirror as mirror_module
from fleetdb.warehouse import parts as parts_module
from fleetdb.warehouse.layout import mirror_folder
from fleetdb.warehouse.manifest import Manifest, read_manifest
from fleetdb.warehouse.mirror import rebuild, sync
from fleetdb.warehouse.mirror_check import check
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from fleetdb.warehouse.views import open_mirror, trend_settings_in


def files(fleet: Any) -> dict[str, bytes]:
    folder = mirror_folder(fleet.home, fleet.fleet_id)
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def manifest_of(fleet: Any) -> Manifest:
    manifest = read_manifest(mirror_folder(fleet.home, fleet.fleet_id))
    assert manifest is not None
    return manifest


def view_rows(fleet: Any) -> dict[str, list[tuple[Any, ...]]]:
    with open_mirror(fleet.home, fleet.fleet_id) as connection:
        return {
            name: connection.execute(f"FROM {name} ORDER BY ALL").fetchall()
            for name in TREND_SCHEMAS
        }


def do_sync(fleet: Any):
    return sync(fleet.store, fleet.fleet_id, fleet.home)


def problems(fleet: Any) -> list[str]:
    return check(fleet.store, fleet.fleet_id, fleet.home)


def test_what_a_fleet_sets_is_mirrored_with_the_next_sync(fleet: Any) -> None:
    do_sync(fleet)
    before = manifest_of(fleet)
    assert before.settings == TrendSettings()
    own = TrendSettings(horizon_days=90, fuel_cold_mm2_per_s=2.2)
    with fleet.store.write() as session:
        keep_trend_settings(session, fleet.fleet_id, own, "tests")

    do_sync(fleet)
    after = manifest_of(fleet)
    assert (after.settings, after.parts) == (own, before.parts)
    assert after.mirrored_at > before.mirrored_at
    with open_mirror(fleet.home, fleet.fleet_id) as connection:
        assert trend_settings_in(connection) == own
    do_sync(fleet)
    assert manifest_of(fleet) == after


def test_the_mirror_shows_what_the_store_says_of_each_vehicle(fleet: Any) -> None:
    ids = fleet.add_records(40)
    fleet.add_one_of_each_other_kind()
    for record_id in (ids[3], ids[5], ids[9], ids[11]):
        fleet.add_trace(record_id)
    fleet.void(ids[3])
    fleet.accept(Kind.TEST_RECORDS, [fleet.record(vehicle="V05", supersedes=ids[5])])
    fleet.amend("V07", depot="South")
    do_sync(fleet)
    mirrored = view_rows(fleet)
    by_vehicle: dict[str, set[tuple[Any, ...]]] = {name: set() for name in TREND_SCHEMAS}
    with fleet.store.read() as session:
        for vehicle in fleet.vehicles:
            for name, table in vehicle_tables(session, fleet.fleet_id, vehicle).items():
                rows = duckdb.from_arrow(table).fetchall()
                by_vehicle[name] |= {tuple(map(repr, row)) for row in rows}
    for name, rows in mirrored.items():
        assert {tuple(map(repr, row)) for row in rows} == by_vehicle[name], name
    assert len(mirrored["test_records"]) == 39
    assert len(mirrored["vehicles"]) == len(fleet.vehicles)
    assert all(mirrored.values())


def test_the_first_sync_says_that_it_started_anew_and_a_second_changes_no_file(
    fleet: Any,
) -> None:
    fleet.add_records(10)
    first = do_sync(fleet)
    assert first.rebuilt_because == "there was no mirror yet"
    assert first.added["test_records"] == first.rows["test_records"] == 10
    before = files(fleet)
    second = do_sync(fleet)
    assert not second.changed
    assert second.rows == first.rows
    assert files(fleet) == before


def test_an_empty_fleet_can_be_mirrored_and_read(sqlite_fleet: Any) -> None:
    do_sync(sqlite_fleet)
    assert view_rows(sqlite_fleet)["test_records"] == []
    assert problems(sqlite_fleet) == []


def test_a_sync_reads_only_what_is_new(fleet: Any) -> None:
    fleet.add_records(10)
    do_sync(fleet)
    first, _ = fleet.add_records(2)
    fleet.add_one_of_each_other_kind()
    fleet.add_trace(first)
    result = do_sync(fleet)
    assert result.rebuilt_because is None
    assert {name: n for name, n in result.added.items() if n} == {
        "test_records": 2,
        "fitments": 1,
        "findings": 1,
        "kit_calibrations": 1,
        "trace_figures": 1,
    }
    assert result.rows["test_records"] == 12
    assert problems(fleet) == []


def test_progress_tells_of_every_row(sqlite_fleet: Any) -> None:
    sqlite_fleet.add_records(10)
    told: dict[str, int] = {}

    def progress(table: str, n_rows: int) -> None:
        told[table] = told.get(table, 0) + n_rows

    sync(sqlite_fleet.store, sqlite_fleet.fleet_id, sqlite_fleet.home, progress)
    assert told == {"test_records": 10, "vehicles": 12, "pump_families": 1}


def test_records_superseded_or_voided_after_mirroring_leave_the_view(fleet: Any) -> None:
    first, second, third = fleet.add_records(3)
    do_sync(fleet)
    fleet.void(first)
    correction = fleet.record(vehicle="V01", supersedes=second)
    fleet.accept(Kind.TEST_RECORDS, [correction])
    do_sync(fleet)
    rows = {row[0] for row in view_rows(fleet)["test_records"]}
    assert rows == {third, correction["record_id"]}
    assert problems(fleet) == []


def test_an_amended_vehicle_is_shown_as_amended(sqlite_fleet: Any) -> None:
    do_sync(sqlite_fleet)
    sqlite_fleet.amend("V03", depot="South")
    do_sync(sqlite_fleet)
    depots = {row[0]: row[3] for row in view_rows(sqlite_fleet)["vehicles"]}
    assert depots == dict.fromkeys(sqlite_fleet.vehicles, "North") | {"V03": "South"}


def test_another_fleet_is_not_in_the_mirror(fleet: Any) -> None:
    fleet.add_records(3)
    with fleet.store.write() as session:
        other_id = add_fleet(session, "other", "test").id
    other = type(fleet)(fleet.store, other_id, fleet.home)
    other.set_up()
    other.add_records(5)
    do_sync(fleet)
    do_sync(other)
    other.add_records(1)
    assert not do_sync(fleet).changed
    assert len(view_rows(fleet)["test_records"]) == 3
    assert len(view_rows(other)["test_records"]) == 5


def test_an_earlier_id_that_commits_last_reaches_the_mirror(postgres_fleet: Any) -> None:
    fleet = postgres_fleet
    # Names of workshops and kits must be there: who registers one makes others wait.
    fleet.add_records(6)
    do_sync(fleet)
    slow = parse_document(Kind.TEST_RECORDS, fleet.record())
    with fleet.store.write() as session:
        accept_many(session, fleet.fleet_id, Kind.TEST_RECORDS, [slow], "slow")
        fleet.add_records(2)  # drawn later, committed earlier
        assert do_sync(fleet).rows["test_records"] == 8
        fleet.add_records(1)
        assert do_sync(fleet).rows["test_records"] == 9
        assert problems(fleet) == []
    result = do_sync(fleet)
    assert result.rebuilt_because is None
    assert result.added["test_records"] == 1
    assert result.rows["test_records"] == 10
    assert problems(fleet) == []
    assert not do_sync(fleet).changed


@pytest.mark.parametrize("fresh_rows", [0, 10, 50_000])
def test_following_ends_equal_to_a_rebuild(
    fleet: Any, monkeypatch: pytest.MonkeyPatch, fresh_rows: int
) -> None:
    monkeypatch.setattr(parts_module, "FRESH_ROWS", fresh_rows)
    ids: list[str] = []
    for n in (1, 7, 2, 30, 1):
        ids += fleet.add_records(n)
        do_sync(fleet)
        fleet.void(ids[-1])
    do_sync(fleet)
    assert problems(fleet) == []
    followed, rows = view_rows(fleet), manifest_of(fleet).rows
    result = rebuild(fleet.store, fleet.fleet_id, fleet.home)
    assert result.rebuilt_because == "asked for"
    assert view_rows(fleet) == followed
    assert manifest_of(fleet).rows == rows
    assert problems(fleet) == []


def test_duckdb_and_polars_agree_over_the_mirror(sqlite_fleet: Any) -> None:
    sqlite_fleet.add_records(60)
    do_sync(sqlite_fleet)
    folder = mirror_folder(sqlite_fleet.home, sqlite_fleet.fleet_id)
    paths = [folder / part.path for part in manifest_of(sqlite_fleet).parts_of("test_records")]
    by_polars = (
        pl.read_parquet(paths)
        .group_by("vehicle")
        .agg(
            pl.len(),
            pl.col("actual_bar").sum(),
            pl.col("leak_cylinders").explode().struct.field("ml").sum(),
        )
        .sort("vehicle")
        .rows()
    )
    with open_mirror(sqlite_fleet.home, sqlite_fleet.fleet_id) as connection:
        by_duckdb = connection.execute(
            "SELECT vehicle, count(*), sum(actual_bar), coalesce(sum(list_sum("
            "list_transform(leak_cylinders, lambda entry: entry.ml))), 0) "
            "FROM test_records GROUP BY vehicle ORDER BY vehicle"
        ).fetchall()
    assert by_polars == by_duckdb
    assert sum(row[1] for row in by_duckdb) == 60


def test_a_merged_file_stays_for_its_grace_and_then_goes(
    sqlite_fleet: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    sqlite_fleet.add_records(3)
    do_sync(sqlite_fleet)
    (old,) = manifest_of(sqlite_fleet).parts_of("test_records")
    sqlite_fleet.add_records(3)
    with open_mirror(sqlite_fleet.home, sqlite_fleet.fleet_id) as connection:
        do_sync(sqlite_fleet)
        assert old.path not in {part.path for part in manifest_of(sqlite_fleet).parts}
        # A reader that began before the sync goes on undisturbed.
        assert connection.execute("SELECT count(*) FROM test_records").fetchall() == [(3,)]
    monkeypatch.setattr(mirror_module, "GRACE_S", 0.0)
    do_sync(sqlite_fleet)
    assert old.path not in files(sqlite_fleet)
    assert problems(sqlite_fleet) == []


def test_strays_are_swept(sqlite_fleet: Any) -> None:
    sqlite_fleet.add_records(3)
    do_sync(sqlite_fleet)
    before = files(sqlite_fleet)
    folder = mirror_folder(sqlite_fleet.home, sqlite_fleet.fleet_id)
    (folder / "test_records" / ".new-0123").write_bytes(b"half")
    (folder / "test_records" / "fresh-0123.parquet").write_bytes(b"not named")
    (folder / ".new-spill").mkdir()
    (folder / ".new-spill" / "00.arrow").write_bytes(b"half")
    do_sync(sqlite_fleet)
    assert files(sqlite_fleet) == before


@pytest.mark.parametrize("damage", ["missing", "manifest", "columns"])
def test_a_mirror_that_cannot_be_followed_is_made_anew(
    sqlite_fleet: Any, damage: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    sqlite_fleet.add_records(3)
    do_sync(sqlite_fleet)
    folder = mirror_folder(sqlite_fleet.home, sqlite_fleet.fleet_id)
    if damage == "missing":
        (folder / manifest_of(sqlite_fleet).parts_of("test_records")[0].path).unlink()
        expected = "lacks test_records/"
    elif damage == "manifest":
        (folder / "manifest.json").write_text("{")
        expected = "cannot be read"
    else:
        monkeypatch.setattr(mirror_module, "schema_digest", lambda: "another")
        expected = "columns of another version"
    result = do_sync(sqlite_fleet)
    assert expected in (result.rebuilt_because or "")
    monkeypatch.undo()
    do_sync(sqlite_fleet)
    assert problems(sqlite_fleet) == []
    assert len(view_rows(sqlite_fleet)["test_records"]) == 3


@pytest.mark.parametrize("step", range(4))
def test_a_failure_at_any_rename_leaves_the_last_good_mirror(
    sqlite_fleet: Any, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    sqlite_fleet.add_records(3)
    do_sync(sqlite_fleet)
    good = view_rows(sqlite_fleet)
    sqlite_fleet.add_records(2)
    sqlite_fleet.add_one_of_each_other_kind()
    # Renames of this sync: four tables' files and then the manifest.
    renames, original = 0, os.replace

    def failing(*args: Any) -> None:
        nonlocal renames
        renames += 1
        if renames > step:
            raise OSError("injected")
        original(*args)

    monkeypatch.setattr("os.replace", failing)
    with pytest.raises(OSError, match="injected"):
        do_sync(sqlite_fleet)
    assert renames == step + 1
    monkeypatch.undo()
    assert view_rows(sqlite_fleet) == good
    assert problems(sqlite_fleet) == []
    assert do_sync(sqlite_fleet).added["test_records"] == 2
    assert problems(sqlite_fleet) == []
    named = {part.path for part in manifest_of(sqlite_fleet).parts}
    named |= {entry.path for entry in manifest_of(sqlite_fleet).dropped}
    assert set(files(sqlite_fleet)) == named | {"manifest.json"}


SYNC_FOREVER = """
import sys
from fleetdb.settings import Settings
from fleetdb.store.engine import open_store
from fleetdb.warehouse.mirror import rebuild
settings = Settings.from_environment()
store = open_store(settings)
print("started", flush=True)
for _ in range(1000):
    rebuild(store, int(sys.argv[1]), settings.home)
"""


def test_a_process_killed_at_any_moment_leaves_a_good_mirror(sqlite_fleet: Any) -> None:
    sqlite_fleet.add_records(200)
    do_sync(sqlite_fleet)
    good = view_rows(sqlite_fleet)
    url = sqlite_fleet.store.engine.url.render_as_string(hide_password=False)
    environment = {
        **os.environ,
        "FLEETDB_HOME": str(sqlite_fleet.home),
        "FLEETDB_DATABASE_URL": url,
    }
    # Rebuilding all the time, it is at some write or rename whenever it is killed.
    for delay_s in (0.05, 0.2):
        process = subprocess.Popen(
            [sys.executable, "-c", SYNC_FOREVER, str(sqlite_fleet.fleet_id)],
            stdout=subprocess.PIPE,
            env=environment,
        )
        assert process.stdout is not None
        assert process.stdout.readline() == b"started\n"
        time.sleep(delay_s)
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=10)
        assert view_rows(sqlite_fleet) == good
        assert problems(sqlite_fleet) == []
    sqlite_fleet.add_records(1)
    assert do_sync(sqlite_fleet).rows["test_records"] == 201
    assert problems(sqlite_fleet) == []


def test_the_path_of_the_home_may_hold_any_character(sqlite_fleet: Any, tmp_path: Path) -> None:
    sqlite_fleet.add_records(3)
    sqlite_fleet.home = tmp_path / "it's a=b [1] *"
    do_sync(sqlite_fleet)
    assert len(view_rows(sqlite_fleet)["test_records"]) == 3
    assert problems(sqlite_fleet) == []
