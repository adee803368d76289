"""Bringing the published verdicts up to date with the truth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fleetdb.store.engine import Store
from fleetdb.timestamps import format_rfc3339, parse_rfc3339
from fleetdb.trend.assessment import METHOD, Assessment
from fleetdb.trend.pipeline import assess
from fleetdb.trend.teaching import Teacher
from fleetdb.warehouse.layout import learnt_folder, mirror_folder, refresh_lock
from fleetdb.warehouse.locks import exclusive
from fleetdb.warehouse.manifest import read_manifest
from fleetdb.warehouse.mirror import Progress, SyncResult, sync
from fleetdb.warehouse.snapshot import current_name, publish, read_meta
from fleetdb.warehouse.views import open_mirror


@dataclass(frozen=True, slots=True)
class Refreshed:
    """A snapshot was published: its folder, the moment it judges, and what the sync did."""

    snapshot: Path
    as_of: datetime
    synced: SyncResult


def refresh(
    store: Store,
    fleet_id: int,
    home: Path,
    as_of: datetime | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> Refreshed | None:
    """Sync the mirror and, if verdicts may have changed, assess and publish them.

    Returns None when the current snapshot still stands: nothing was mirrored since
    it was published, and it judges today. With ``as_of`` or ``force`` verdicts are
    always worked out anew. Waits while another process refreshes the same fleet.

    Parameters
    ----------
    as_of : datetime, optional
        The moment to judge, aware; now when left out. What is published becomes the
        current snapshot, whatever its moment.
    progress : callable, optional
        Told of rows read from the truth.
    """
    with exclusive(refresh_lock(home, fleet_id)):
        synced = sync(store, fleet_id, home, progress)
        moment = as_of or datetime.now(UTC)
        manifest = read_manifest(mirror_folder(home, fleet_id))
        mirrored_at = manifest.mirrored_at if manifest is not None else None
        if as_of is None and not force and _stands(home, fleet_id, mirrored_at, moment):
            return None
        with open_mirror(home, fleet_id) as connection:
            teacher = Teacher(learnt_folder(home, fleet_id))
            assessment = assess(connection, moment, teacher=teacher)
        meta = {
            **assessment.meta,
            "as_of": format_rfc3339(moment),
            "mirrored_at": mirrored_at,
        }
        return Refreshed(publish(home, fleet_id, assessment.tables, meta), moment, synced)


def assess_at(
    store: Store,
    fleet_id: int,
    home: Path,
    as_of: datetime,
    progress: Progress | None = None,
) -> Assessment:
    """Sync the mirror and return the verdicts as of a moment, publishing nothing."""
    with exclusive(refresh_lock(home, fleet_id)):
        sync(store, fleet_id, home, progress)
    with open_mirror(home, fleet_id) as connection:
        return assess(connection, as_of, teacher=Teacher(learnt_folder(home, fleet_id)))


def _stands(home: Path, fleet_id: int, mirrored_at: str | None, moment: datetime) -> bool:
    """Tell whether the current snapshot is of this mirror, day and method."""
    name = current_name(home, fleet_id)
    meta = read_meta(home, fleet_id, name) if name is not None else None
    if meta is None or meta.get("method") != METHOD:
        return False
    same_day = parse_rfc3339(meta["as_of"]).date() == moment.astimezone(UTC).date()
    return same_day and meta["mirrored_at"] == mirrored_at
