"""The mirror: a copy of one fleet's records in Parquet, kept up with the truth.

A sync reads what the feed shows since the manifest's mark, writes it to new files,
and replaces the manifest in one step: killed at any moment, it leaves the last good
mirror, and the next sync sweeps away what the manifest does not name. A file that a
sync has merged into another stays for ``GRACE_S``, for readers that began before.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
from sqlalchemy.orm import Session

from fleetdb.store.engine import Store
from fleetdb.store.feed import Mark, changes_since, mark_now, why_not_of_this_feed
from fleetdb.store.trend_settings import read_trend_settings
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend_settings import TrendSettings
from fleetdb.warehouse.layout import mirror_folder, mirror_lock
from fleetdb.warehouse.locks import exclusive
from fleetdb.warehouse.manifest import (
    MANIFEST_NAME,
    Dropped,
    Manifest,
    Part,
    UnusableManifestError,
    read_manifest,
)
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES, schema_digest
from fleetdb.warehouse.parts import grow
from fleetdb.warehouse.truth_rows import read_rows

GRACE_S = 3600.0

Progress = Callable[[str, int], None]
"""Called with a table's name and how many of its rows have just been read."""


@dataclass(frozen=True, slots=True)
class SyncResult:
    """What a sync did.

    ``added`` is the number of rows read from the truth per table; ``rows`` the number
    the mirror now has. ``rebuilt_because`` says why everything was read anew, or is
    None when only changes were.
    """

    added: dict[str, int]
    rows: dict[str, int]
    rebuilt_because: str | None = None

    @property
    def changed(self) -> bool:
        """True when the mirror is not what it was."""
        return self.rebuilt_because is not None or any(self.added.values())


def sync(store: Store, fleet_id: int, home: Path, progress: Progress | None = None) -> SyncResult:
    """Bring the mirror of a fleet up to the truth; make or remake it where it cannot follow.

    Waits while another process is at it. Doing it twice changes nothing more.
    """
    folder = mirror_folder(home, fleet_id)
    with exclusive(mirror_lock(home, fleet_id)), store.read() as session:
        try:
            manifest = read_manifest(folder)
        except UnusableManifestError as error:
            return _build(session, fleet_id, folder, None, str(error), progress)
        reason = _why_rebuild(session, fleet_id, folder, manifest)
        if manifest is None or reason is not None:
            return _build(session, fleet_id, folder, manifest, reason or "", progress)
        return _follow(session, fleet_id, folder, manifest, progress)


def rebuild(
    store: Store, fleet_id: int, home: Path, progress: Progress | None = None
) -> SyncResult:
    """Make the mirror of a fleet anew from the truth; the old one serves until it is there."""
    folder = mirror_folder(home, fleet_id)
    with exclusive(mirror_lock(home, fleet_id)), store.read() as session:
        try:
            manifest = read_manifest(folder)
        except UnusableManifestError:
            manifest = None
        return _build(session, fleet_id, folder, manifest, "asked for", progress)


def _why_rebuild(
    session: Session, fleet_id: int, folder: Path, manifest: Manifest | None
) -> str | None:
    if manifest is None:
        return "there was no mirror yet"
    if manifest.schema != schema_digest():
        return "the mirror has the columns of another version"
    missing = [part.path for part in manifest.parts if not (folder / part.path).is_file()]
    if missing:
        return f"the mirror lacks {missing[0]}"
    return why_not_of_this_feed(session, fleet_id, manifest.mark)


def _follow(
    session: Session, fleet_id: int, folder: Path, manifest: Manifest, progress: Progress | None
) -> SyncResult:
    changes = changes_since(session, fleet_id, manifest.mark)
    settings = read_trend_settings(session, fleet_id)
    added = dict.fromkeys(MIRROR_TABLES, 0)
    if not changes.row_ids and settings == manifest.settings:
        _sweep(folder, manifest)
        return SyncResult(added, manifest.rows)
    parts: list[Part] = []
    for name, table in MIRROR_TABLES.items():
        old = manifest.parts_of(name)
        row_ids = changes.row_ids.get(table.followed_as)
        if row_ids:
            batches = read_rows(session, fleet_id, name, row_ids)
            parts += grow(folder, table, old, _counted(name, batches, added, progress))
        else:
            parts += old
    return _publish(folder, changes.mark, manifest, parts, added, None, settings)


def _build(
    session: Session,
    fleet_id: int,
    folder: Path,
    old: Manifest | None,
    reason: str,
    progress: Progress | None,
) -> SyncResult:
    folder.mkdir(parents=True, exist_ok=True)
    mark = mark_now(session, fleet_id)
    added = dict.fromkeys(MIRROR_TABLES, 0)
    parts: list[Part] = []
    for name, table in MIRROR_TABLES.items():
        batches = read_rows(session, fleet_id, name)
        parts += grow(folder, table, [], _counted(name, batches, added, progress))
    settings = read_trend_settings(session, fleet_id)
    return _publish(folder, mark, old, parts, added, reason, settings)


def _counted(
    name: str, batches: Iterable[pa.Table], added: dict[str, int], progress: Progress | None
) -> Iterator[pa.Table]:
    for batch in batches:
        added[name] += batch.num_rows
        if progress is not None:
            progress(name, batch.num_rows)
        yield batch


def _publish(
    folder: Path,
    mark: Mark,
    old: Manifest | None,
    parts: list[Part],
    added: dict[str, int],
    reason: str | None,
    settings: TrendSettings,
) -> SyncResult:
    now = time.time()
    paths = {part.path for part in parts}
    dropped: list[Dropped] = []
    if old is not None:
        dropped += [entry for entry in old.dropped if now - entry.dropped_at < GRACE_S]
        dropped += [Dropped(part.path, now) for part in old.parts if part.path not in paths]
    manifest = Manifest(
        mark=mark,
        schema=schema_digest(),
        mirrored_at=format_rfc3339(datetime.now(UTC)),
        parts=tuple(parts),
        dropped=tuple(dropped),
        settings=settings,
    )
    manifest.write(folder)
    _sweep(folder, manifest)
    return SyncResult(added, manifest.rows, reason)


def _sweep(folder: Path, manifest: Manifest) -> None:
    """Remove what the manifest does not name, left by a killed sync or past its grace."""
    now = time.time()
    named = {MANIFEST_NAME}
    named |= {part.path for part in manifest.parts}
    named |= {entry.path for entry in manifest.dropped if now - entry.dropped_at < GRACE_S}
    for path in [*folder.iterdir(), *folder.glob("*/*")]:
        relative = str(path.relative_to(folder))
        if path.is_dir():
            if relative not in MIRROR_TABLES:
                shutil.rmtree(path, ignore_errors=True)
        elif relative not in named:
            path.unlink(missing_ok=True)
