"""Loading: any order, any interruption and any repetition end with the same tables."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from sqlalchemy import select

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.settings import Settings
from fleetdb.store import loading
from fleetdb.store.engine import Store, open_store
from fleetdb.store.loading import LONGEST_LINE_BYTES, Counts, LoadSummary, load_paths
from fleetdb.store.sources import Source
from fleetdb.store.tables import Base
from tests.documents import FAMILY, TEST_RECORD, VEHICLE, values_of

# What differs between two stores that were told the same: numbering, when, and by whom.
_NOT_CONTENTS = (
    *("id", "installation_id", "subject_row_id", "written_by", "actor"),
    *("at", "received_at", "first_named_at", "created_at"),
)


def contents(store: Store) -> dict[str, list[str]]:
    """Return every table's rows, in no order, with row numbers replaced by what they stand for."""
    tables: dict[str, list[str]] = {}
    with store.read() as session:
        names: dict[tuple[str, Any], str] = {}
        for table in Base.metadata.sorted_tables:
            rows: list[str] = []
            if table.name == "sent_counts":
                continue  # tells how often something was sent, which is not what is stored
            for row in session.execute(select(table)).mappings():
                shown: dict[str, str] = {}
                for column in table.columns:
                    value = row[column.name]
                    for key in column.foreign_keys:
                        value = names.get((key.column.table.name, value), value)
                    if column.name not in _NOT_CONTENTS:
                        shown[column.name] = str(value)
                rows.append(json.dumps(shown))
                key_columns = list(table.primary_key.columns)
                if len(key_columns) == 1:
                    names[table.name, row[key_columns[0].name]] = rows[-1]
            tables[table.name] = sorted(rows)
    return tables


def write(folder: Path, files: dict[str, list[Any]]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, entries in files.items():
        lines = [e if isinstance(e, str) else json.dumps(e) for e in entries]
        (folder / f"{name}.ndjson").write_text("".join(line + "\n" for line in lines))
    return folder


def load(store: Store, *paths: Path, refused: Path | None = None) -> LoadSummary:
    refused = refused or Path(tempfile.mkdtemp()) / "refused.ndjson"
    return load_paths(store, 1, paths, refused, "tests")


def small_fleet() -> dict[str, list[Any]]:
    """A few of everything, corrections before what they correct, and some slips."""
    records = [
        values_of(
            Kind.TEST_RECORDS,
            vehicle=f"V-{n % 3}",
            performed_at=f"2024-0{1 + n % 9}-03T08:30:00Z",
            kit=f"gauge {n % 4}",
            conditions={"crank_rpm": 100 + n},
        )
        for n in range(12)
    ]
    records[0]["supersedes"] = records[7]["record_id"]
    records[1]["supersedes"] = records[0]["record_id"]
    slips = [
        values_of(Kind.TEST_RECORDS, vehicle="V-1", proof={"target_bar": 700, "actual_bar": 9427}),
        values_of(
            Kind.TEST_RECORDS, vehicle="V-1", supersedes=values_of(Kind.TEST_RECORDS)["record_id"]
        ),
        '{"record_id": ',
    ]
    return {
        "pump_families": [FAMILY],
        "vehicles": [{**VEHICLE, "vehicle": f"V-{n}", "depot": f"yard {n}"} for n in range(3)],
        "kit_calibrations": [values_of(Kind.KIT_CALIBRATIONS)],
        "fitments": [values_of(Kind.FITMENTS, vehicle=f"V-{n}") for n in range(3)],
        "test_records": [*records, records[3], *slips],
        "findings": [values_of(Kind.FINDINGS, vehicle="V-2")],
    }


FLEET = small_fleet()
SQLITE = {"suppress_health_check": list(HealthCheck), "max_examples": 12}


def fresh_store() -> Store:
    return open_store(Settings.from_environment({"FLEETDB_HOME": tempfile.mkdtemp()}))


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """The tables after one uninterrupted load of FLEET on SQLite."""
    store = fresh_store()
    load(store, write(tmp_path_factory.mktemp("fleet"), FLEET))
    return contents(store)


def test_a_load_stores_all_but_the_slips_and_says_so(store: Store, tmp_path: Path) -> None:
    refused = tmp_path / "refused.ndjson"

    summary = load(store, write(tmp_path / "fleet", FLEET), refused=refused)

    assert summary.counts == {
        Kind.PUMP_FAMILIES: Counts(accepted=1),
        Kind.VEHICLES: Counts(accepted=3),
        Kind.KIT_CALIBRATIONS: Counts(accepted=1),
        Kind.FITMENTS: Counts(accepted=3),
        Kind.TEST_RECORDS: Counts(accepted=12, already_there=1, refused=3),
        Kind.FINDINGS: Counts(accepted=1),
    }
    lines = [json.loads(line) for line in refused.read_text().splitlines()]
    by_line = {line["line"]: line for line in lines}
    assert set(by_line) == {14, 15, 16}
    slip = by_line[14]
    assert slip["kind"] == "test_records"
    assert slip["file"] == str(tmp_path / "fleet" / "test_records.ndjson")
    assert json.loads(slip["text"]) == FLEET["test_records"][13]
    [problem] = slip["problems"]
    assert problem["pointer"] == "/proof/actual_bar"
    assert "was this psi?" in problem["detail"]
    assert by_line[15]["problems"][0]["pointer"] == "/supersedes"
    assert "not JSON" in by_line[16]["problems"][0]["detail"]


def test_both_dialects_end_with_the_same_tables(
    store: Store, tmp_path: Path, expected: dict[str, list[str]]
) -> None:
    load(store, write(tmp_path / "fleet", FLEET))

    assert contents(store) == expected


def test_a_second_load_adds_nothing(
    store: Store, tmp_path: Path, expected: dict[str, list[str]]
) -> None:
    folder = write(tmp_path / "fleet", FLEET)
    load(store, folder)

    summary = load(store, folder)

    assert sum(counts.accepted for counts in summary.counts.values()) == 0
    assert contents(store) == expected


@hypothesis_settings(**SQLITE)
@given(data=st.data(), batch=st.integers(1, 5))
def test_any_order_of_lines_and_files_ends_with_the_same_tables(
    expected: dict[str, list[str]], data: st.DataObject, batch: int
) -> None:
    folder = Path(tempfile.mkdtemp())
    paths: list[Path] = []
    for name, lines in FLEET.items():
        # Each kind in a shuffled order, cut into two files at any point.
        shuffled = data.draw(st.permutations(lines))
        cut = data.draw(st.integers(0, len(shuffled)))
        write(folder, {f"{name}-b": shuffled[:cut], f"{name}-a": shuffled[cut:]})
        paths += [folder / f"{name}-a.ndjson", folder / f"{name}-b.ndjson"]
    store = fresh_store()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loading, "LARGEST_BATCH", batch)
        load(store, *data.draw(st.permutations(paths)))

    assert contents(store) == expected
    store.close()


@hypothesis_settings(**SQLITE)
@given(interruptions=st.lists(st.integers(0, 12), min_size=1, max_size=3), batch=st.integers(1, 4))
def test_a_load_interrupted_anywhere_and_run_again_ends_with_the_same_tables(
    expected: dict[str, list[str]], interruptions: list[int], batch: int
) -> None:
    folder = write(Path(tempfile.mkdtemp()), FLEET)
    store = fresh_store()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loading, "LARGEST_BATCH", batch)
        real = loading.accept_many
        for n_batches in interruptions:
            left = n_batches

            def stopping(*args: Any, **kwargs: Any) -> Any:
                nonlocal left
                results = real(*args, **kwargs)  # the transaction is under way, not committed
                if left == 0:
                    raise KeyboardInterrupt
                left -= 1
                return results

            patch.setattr(loading, "accept_many", stopping)
            try:
                load(store, folder)
            except KeyboardInterrupt:
                continue
        patch.setattr(loading, "accept_many", real)
        load(store, folder)

    assert contents(store) == expected
    store.close()


def test_a_load_killed_in_the_middle_and_run_again_ends_with_the_same_tables(
    tmp_path: Path,
) -> None:
    n_records = 3000
    records = [
        values_of(Kind.TEST_RECORDS, kit=f"gauge {n % 5}", leak=None) for n in range(n_records)
    ]
    folder = write(
        tmp_path / "fleet",
        {"pump_families": [FAMILY], "vehicles": [VEHICLE], "test_records": records},
    )
    home = tmp_path / "home"
    settings = Settings.from_environment({"FLEETDB_HOME": str(home)})
    open_store(settings).close()
    process = subprocess.Popen(
        [sys.executable, "-c", "from fleetdb.cli.main import run; run()", "load", str(folder)],
        env={**os.environ, "FLEETDB_HOME": str(home)},
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    store = open_store(settings)
    try:
        deadline = time.monotonic() + 60
        while process.poll() is None and time.monotonic() < deadline:
            with store.read() as session:
                done = session.execute(select(Base.metadata.tables["test_records"].c.id)).all()
            if done:
                break
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
        process.wait(10)

        with store.read() as session:
            n_kept = len(session.execute(select(Base.metadata.tables["test_records"].c.id)).all())
        assert 0 < n_kept < n_records, "killed too late or too early to show anything"
        assert n_kept % 1000 == 0, "a batch is one transaction"
        load(store, folder)
        uninterrupted = fresh_store()
        load(uninterrupted, folder)
        assert contents(store) == contents(uninterrupted)
    finally:
        process.kill()
        store.close()


def test_lines_are_read_however_they_are_ended(sqlite_store: Store, tmp_path: Path) -> None:
    lines = [json.dumps({**VEHICLE, "vehicle": f"V-{n}"}) for n in range(3)]
    write(tmp_path / "fleet", {"pump_families": [FAMILY]})
    (tmp_path / "fleet" / "vehicles.ndjson").write_bytes(
        b"\xef\xbb\xbf" + ("\r\n\r\n".join(lines) + "\n   \n\n").encode() + b"\xef\xbb\xbf\n"
    )

    summary = load(sqlite_store, tmp_path / "fleet")

    assert summary.counts[Kind.VEHICLES] == Counts(accepted=3)


def test_a_huge_line_is_refused_and_the_next_one_read(sqlite_store: Store, tmp_path: Path) -> None:
    huge = json.dumps({**VEHICLE, "vehicle": "V-1", "depot": "y" * 3 * LONGEST_LINE_BYTES})
    longest = json.dumps({**VEHICLE, "vehicle": "V-2"})
    longest += " " * (LONGEST_LINE_BYTES - len(longest))
    files = {"pump_families": [FAMILY], "vehicles": [huge, longest, VEHICLE]}
    refused = tmp_path / "refused.ndjson"

    summary = load(sqlite_store, write(tmp_path / "fleet", files), refused=refused)

    assert summary.counts[Kind.VEHICLES] == Counts(accepted=2, refused=1)
    [line] = [json.loads(text) for text in refused.read_text().splitlines()]
    assert line["line"] == 1
    assert "longer than 1048576 bytes" in line["problems"][0]["detail"]
    assert len(line["text"]) < LONGEST_LINE_BYTES


def test_bytes_that_are_no_text_are_refused_and_shown(sqlite_store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "fleet", {"pump_families": [FAMILY]})
    (folder / "vehicles.ndjson").write_bytes(b'{"vehicle": "\xff"}\n')
    refused = tmp_path / "refused.ndjson"

    summary = load(sqlite_store, folder, refused=refused)

    assert summary.refused == 1
    assert r"\xff" in json.loads(refused.read_text())["text"]


def test_no_refused_file_is_made_where_nothing_is_refused(
    sqlite_store: Store, tmp_path: Path
) -> None:
    refused = tmp_path / "refused.ndjson"

    summary = load(
        sqlite_store, write(tmp_path / "f", {"pump_families": [FAMILY]}), refused=refused
    )

    assert summary.refused_path is None
    assert not refused.exists()


@pytest.mark.parametrize("name", ["test_records_bad.ndjson", "VEHICLES-2.NDJSON"])
def test_refused_lines_may_not_go_where_the_next_load_would_read_them(
    sqlite_store: Store, tmp_path: Path, name: str
) -> None:
    folder = write(tmp_path / "fleet", {"pump_families": [FAMILY]})

    with pytest.raises(InvalidInputError, match="would be loaded by the next load"):
        load(sqlite_store, folder, refused=folder / name)
    with pytest.raises(InvalidInputError, match="exists"):
        load(sqlite_store, folder, refused=folder / "pump_families.ndjson")
    with pytest.raises(InvalidInputError, match="is no folder"):
        load(sqlite_store, folder, refused=tmp_path / "nowhere" / "refused.ndjson")


def test_a_refused_file_that_cannot_be_made_stops_the_load_before_it_begins(
    sqlite_store: Store, tmp_path: Path
) -> None:
    folder = write(tmp_path / "fleet", {"pump_families": [FAMILY]})

    with pytest.raises(InvalidInputError, match=r"cannot write refused lines to .*too long"):
        load(sqlite_store, folder, refused=tmp_path / ("r" * 300))

    assert load(sqlite_store, folder).counts[Kind.PUMP_FAMILIES].accepted == 1


def test_progress_adds_up_to_what_was_read(sqlite_store: Store, tmp_path: Path) -> None:
    records = [json.dumps({**TEST_RECORD, "vehicle": "V-9"})] * 1000
    folder = write(tmp_path / "fleet", {"test_records": records})
    told: list[int] = []

    def progress(source: Source, n_bytes: int) -> None:
        told.append(n_bytes)

    load_paths(sqlite_store, 1, [folder], tmp_path / "refused.ndjson", "tests", progress)

    assert len(told) > 3
    assert sum(told) == (folder / "test_records.ndjson").stat().st_size
