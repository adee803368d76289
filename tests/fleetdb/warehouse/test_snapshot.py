import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pyarrow as pa
import pytest

from fleetdb.errors import FleetDbError, NotFoundError
from fleetdb.warehouse import snapshot as snapshot_module
from fleetdb.warehouse.layout import snapshots_folder
from fleetdb.warehouse.snapshot import KEEP, current_name, open_snapshot, publish, read_meta

FLEET = 3


def tables(edition: int) -> dict[str, pa.Table]:
    return {
        "verdicts": pa.table({"vehicle": [f"V{i}" for i in range(50)], "edition": [edition] * 50}),
        "kits": pa.table({"kit": ["K1"], "edition": [edition]}),
    }


def editions(home: Path) -> set[int]:
    snapshot = open_snapshot(home, FLEET)
    try:
        with snapshot.connection() as connection:
            rows = connection.execute(
                "SELECT edition FROM verdicts UNION SELECT edition FROM kits"
            ).fetchall()
    finally:
        snapshot.close()
    return {row[0] for row in rows} | {snapshot.meta["edition"]}


def test_nothing_published_yet_is_said(tmp_path: Path) -> None:
    assert current_name(tmp_path, FLEET) is None
    with pytest.raises(NotFoundError, match="no verdicts have been published yet"):
        open_snapshot(tmp_path, FLEET)


def test_what_was_published_can_be_read(tmp_path: Path) -> None:
    folder = publish(tmp_path, FLEET, tables(1), {"edition": 1, "as_of": "2026-03-01T00:00:00Z"})
    snapshot = open_snapshot(tmp_path, FLEET)
    assert snapshot.name == folder.name == current_name(tmp_path, FLEET)
    assert snapshot.meta["as_of"] == "2026-03-01T00:00:00Z"
    assert snapshot.meta["rows"] == {"verdicts": 50, "kits": 1}
    assert snapshot.meta == read_meta(tmp_path, FLEET, folder.name)
    with snapshot.connection() as connection:
        assert connection.sql("FROM verdicts").to_arrow_table() == tables(1)["verdicts"]
    snapshot.close()


def test_fleets_have_their_own_snapshots(tmp_path: Path) -> None:
    publish(tmp_path, FLEET, tables(1), {"edition": 1})
    assert current_name(tmp_path, FLEET + 1) is None


def test_an_open_snapshot_is_not_disturbed_by_newer_ones(tmp_path: Path) -> None:
    publish(tmp_path, FLEET, tables(1), {"edition": 1})
    snapshot = open_snapshot(tmp_path, FLEET)
    for edition in range(2, 2 + 2 * KEEP):
        publish(tmp_path, FLEET, tables(edition), {"edition": edition})
    with snapshot.connection() as connection:
        assert connection.execute("SELECT DISTINCT edition FROM verdicts").fetchall() == [(1,)]
    snapshot.close()
    assert editions(tmp_path) == {1 + 2 * KEEP}


def test_after_the_grace_period_only_the_last_few_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(snapshot_module, "GRACE_S", 0.0)
    for edition in range(3 * KEEP):
        publish(tmp_path, FLEET, tables(edition), {"edition": edition})
    kept = [path for path in snapshots_folder(tmp_path, FLEET).iterdir() if path.is_dir()]
    assert KEEP <= len(kept) <= KEEP + 1
    assert editions(tmp_path) == {3 * KEEP - 1}


def test_the_grace_period_begins_when_a_snapshot_is_superseded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = publish(tmp_path, FLEET, tables(0), {"edition": 0})
    long_ago = time.time() - 100 * snapshot_module.GRACE_S
    os.utime(first, (long_ago, long_ago))
    for edition in range(1, 2 * KEEP):
        publish(tmp_path, FLEET, tables(edition), {"edition": edition})
    assert first.is_dir()


@pytest.mark.parametrize("step", range(3))
def test_a_failure_at_any_step_leaves_the_last_snapshot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    publish(tmp_path, FLEET, tables(1), {"edition": 1})
    # The renames of a publication: its manifest, its folder, the pointer to it.
    renames = 0

    def failing(original):
        def rename(*args: object) -> None:
            nonlocal renames
            renames += 1
            if renames == step + 1:
                raise OSError("injected")
            original(*args)

        return rename

    monkeypatch.setattr("os.replace", failing(os.replace))
    monkeypatch.setattr("os.rename", failing(os.rename))
    with pytest.raises(OSError, match="injected"):
        publish(tmp_path, FLEET, tables(2), {"edition": 2})
    monkeypatch.undo()
    assert editions(tmp_path) == {1}
    publish(tmp_path, FLEET, tables(3), {"edition": 3})
    assert editions(tmp_path) == {3}


def test_a_damaged_snapshot_is_named(tmp_path: Path) -> None:
    folder = publish(tmp_path, FLEET, tables(1), {"edition": 1})
    (folder / "verdicts.parquet").write_bytes(b"no parquet")
    with pytest.raises(FleetDbError, match=folder.name):
        open_snapshot(tmp_path, FLEET)
    (folder / "manifest.json").unlink()
    assert read_meta(tmp_path, FLEET, folder.name) is None
    with pytest.raises(FleetDbError, match=folder.name):
        open_snapshot(tmp_path, FLEET)


# Of its own, without this module: a process that pytest has not started cannot import it.
READER = """
import json, sys, time
from pathlib import Path
from fleetdb.warehouse.snapshot import open_snapshot

home, fleet, last = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
found = []
deadline = time.monotonic() + 60
while time.monotonic() < deadline and (not found or found[-1] != [last]):
    snapshot = open_snapshot(home, fleet)
    with snapshot.connection() as connection:
        rows = connection.execute(
            "SELECT edition FROM verdicts UNION SELECT edition FROM kits"
        ).fetchall()
    snapshot.close()
    found.append(sorted({row[0] for row in rows} | {snapshot.meta["edition"]}))
print(json.dumps(found))
"""


def test_readers_in_other_processes_see_whole_snapshots_in_order(tmp_path: Path) -> None:
    last = 40
    publish(tmp_path, FLEET, tables(0), {"edition": 0})
    command = [sys.executable, "-c", READER, str(tmp_path), str(FLEET), str(last)]
    readers = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    for edition in range(1, last + 1):
        publish(tmp_path, FLEET, tables(edition), {"edition": edition})
        time.sleep(0.02)
    for reader in readers:
        told, _ = reader.communicate(timeout=90)
        assert reader.returncode == 0
        found = json.loads(told)
        # One edition at a time, never a mixture, never going back, up to the last one.
        assert all(len(entry) == 1 for entry in found)
        assert found == sorted(found)
        assert found[-1] == [last]
