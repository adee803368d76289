"""Published snapshots: verdicts as immutable files that any number of processes read.

A snapshot is written under a temporary name, synced to disk and renamed; then the
small file ``current`` is replaced to name it. A reader sees the old snapshot or the
new one, never a mixture, and waits for nobody. Superseded snapshots stay for
``GRACE_S`` and in any case while they are among the last ``KEEP``.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from uuid import uuid4

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from fleetdb.errors import FleetDbError, NotFoundError
from fleetdb.timestamps import format_rfc3339
from fleetdb.warehouse.durable import TEMPORARY_PREFIX, sync_to_disk, write_text
from fleetdb.warehouse.layout import snapshots_folder
from fleetdb.warehouse.views import parquet_source

KEEP = 5
GRACE_S = 3600.0
_CURRENT = "current"
_MANIFEST = "manifest.json"


class NoSnapshotError(NotFoundError):
    """Raised when no verdicts of this fleet have been published yet."""

    def __init__(self) -> None:
        super().__init__("snapshot", "current")
        self.args = ("no verdicts have been published yet: run `fleetdb assess`",)


class Snapshot:
    """One published snapshot, opened: a view per table in a DuckDB of its own, in memory.

    ``meta`` holds what was published with it, and ``published_at`` and ``rows`` (number
    of rows per table).
    """

    def __init__(self, folder: Path) -> None:
        self.name = folder.name
        self.meta = _read_manifest(folder)
        self._database = duckdb.connect()
        for table in self.meta["rows"]:
            source = parquet_source([folder / f"{table}.parquet"])
            self._database.execute(f'CREATE VIEW "{table}" AS FROM {source}')

    @property
    def tables(self) -> list[str]:
        """Names of the tables, each a view."""
        return list(self.meta["rows"])

    def connection(self) -> duckdb.DuckDBPyConnection:
        """Return a new connection to the views; one per thread at a time, to be closed."""
        return self._database.cursor()

    def close(self) -> None:
        """Give back the memory; connections handed out end too."""
        self._database.close()


def publish(
    home: Path, fleet_id: int, tables: Mapping[str, pa.Table], meta: Mapping[str, Any]
) -> Path:
    """Write ``tables`` as a new snapshot, make it the current one, and return its folder.

    ``meta`` must be JSON values. The caller sees to it that one process publishes at
    a time (``refresh`` does).
    """
    parent = snapshots_folder(home, fleet_id)
    parent.mkdir(parents=True, exist_ok=True)
    now = datetime.now(UTC)
    manifest = {
        **meta,
        "published_at": format_rfc3339(now),
        "rows": {name: table.num_rows for name, table in tables.items()},
    }
    temporary = parent / f"{TEMPORARY_PREFIX}{uuid4().hex}"
    folder = parent / f"{now:%Y%m%dT%H%M%S%fZ}-{uuid4().hex[:8]}"
    temporary.mkdir()
    try:
        for name, table in tables.items():
            path = temporary / f"{name}.parquet"
            pq.write_table(table, path, compression="zstd")
            sync_to_disk(path)
        write_text(temporary / _MANIFEST, json.dumps(manifest, indent=1))
        temporary.rename(folder)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise
    sync_to_disk(parent)
    write_text(parent / _CURRENT, folder.name + "\n")
    _remove_old(parent, folder.name)
    return folder


def current_name(home: Path, fleet_id: int) -> str | None:
    """Return the name of the newest snapshot, or None before the first; one small read."""
    try:
        text = (snapshots_folder(home, fleet_id) / _CURRENT).read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    return text.strip()


def read_meta(home: Path, fleet_id: int, name: str) -> dict[str, Any] | None:
    """Return what was published with a snapshot, or None when it cannot be read."""
    try:
        return _read_manifest(snapshots_folder(home, fleet_id) / name)
    except (OSError, ValueError):
        return None


def open_snapshot(home: Path, fleet_id: int) -> Snapshot:
    """Open the newest snapshot of a fleet.

    Raises
    ------
    NoSnapshotError
        None was published yet.
    FleetDbError
        Its files are damaged or gone: publish again (``fleetdb assess``).
    """
    name = current_name(home, fleet_id)
    if name is None:
        raise NoSnapshotError
    try:
        return Snapshot(snapshots_folder(home, fleet_id) / name)
    except (OSError, ValueError, KeyError, duckdb.Error) as error:
        raise FleetDbError(f"the snapshot {name} cannot be opened: {error}") from error


def _read_manifest(folder: Path) -> dict[str, Any]:
    return json.loads((folder / _MANIFEST).read_text(encoding="utf-8"))


def _remove_old(parent: Path, current: str) -> None:
    folders = sorted(path for path in parent.iterdir() if path.is_dir())
    finished = [path for path in folders if not path.name.startswith(TEMPORARY_PREFIX)]
    now = time.time()
    removable = [path for path in folders if path not in finished and _age_s(path, now) > GRACE_S]
    # A snapshot's grace begins when the next one takes its place.
    removable += [
        path
        for path, successor in pairwise(finished[: -KEEP + 1])
        if path.name != current and _age_s(successor, now) > GRACE_S
    ]
    for path in removable:
        shutil.rmtree(path, ignore_errors=True)


def _age_s(path: Path, now: float) -> float:
    return now - path.stat().st_mtime
