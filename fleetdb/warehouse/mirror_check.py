"""Proof that the mirror equals the truth, table by table."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
from sqlalchemy.orm import Session

from fleetdb.store.engine import Store
from fleetdb.store.feed import changes_since, why_not_of_this_feed
from fleetdb.warehouse.contents import Contents, contents_of
from fleetdb.warehouse.layout import mirror_folder, mirror_lock
from fleetdb.warehouse.locks import exclusive
from fleetdb.warehouse.manifest import Part, UnusableManifestError, read_manifest
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES, MirrorTable, schema_digest
from fleetdb.warehouse.parts import file_sha256, read_part, read_schema
from fleetdb.warehouse.truth_rows import read_rows


def check(
    store: Store, fleet_id: int, home: Path, progress: Callable[[str, int], None] | None = None
) -> list[str]:
    """Return how the mirror of a fleet differs from the truth, in words; nothing when equal.

    Every file is compared with what was written, and every table with the truth by
    count and by a digest that no order of rows changes. Changes that the next sync
    would bring are left out of the comparison. Syncs wait meanwhile.
    """
    folder = mirror_folder(home, fleet_id)
    with exclusive(mirror_lock(home, fleet_id)), store.read() as session:
        try:
            manifest = read_manifest(folder)
        except UnusableManifestError as error:
            return [f"{error}: run `fleetdb mirror rebuild`"]
        if manifest is None:
            return ["there is no mirror yet: run `fleetdb mirror sync`"]
        if manifest.schema != schema_digest():
            return ["the mirror has the columns of another version: run `fleetdb mirror sync`"]
        reason = why_not_of_this_feed(session, fleet_id, manifest.mark)
        if reason is not None:
            return [f"{reason}: run `fleetdb mirror sync`"]
        waiting = changes_since(session, fleet_id, manifest.mark).row_ids
        problems: list[str] = []
        for name, table in MIRROR_TABLES.items():
            parts = manifest.parts_of(name)
            damaged = [problem for part in parts if (problem := _damage(folder, part, table))]
            problems += damaged
            if not damaged:
                left_out = waiting.get(table.followed_as, [])
                truth = contents_of(_truth_without(session, fleet_id, name, left_out, progress))
                mirror = contents_of(read_part(folder, part) for part in parts)
                problems += _difference(name, truth, mirror)
        return problems


def _damage(folder: Path, part: Part, table: MirrorTable) -> str | None:
    path = folder / part.path
    try:
        if file_sha256(path) != part.sha256:
            return f"{part.path} does not hold what was written to it"
        if not read_schema(folder, part).equals(table.schema):
            return f"{part.path} has other columns than {table.name}"
    except FileNotFoundError:
        return f"{part.path} is missing"
    except (OSError, pa.ArrowException) as error:
        return f"{part.path} cannot be read: {error}"
    return None


def _truth_without(
    session: Session,
    fleet_id: int,
    name: str,
    left_out: list[int],
    progress: Callable[[str, int], None] | None,
) -> Iterator[pa.Table]:
    for batch in read_rows(session, fleet_id, name):
        if progress is not None:
            progress(name, batch.num_rows)
        wanted = ~np.isin(batch["row_id"].to_numpy(), left_out)
        yield batch.filter(pa.array(wanted))


def _difference(name: str, truth: Contents, mirror: Contents) -> list[str]:
    if truth.rows != mirror.rows:
        return [f"{name}: the truth has {truth.rows} rows, the mirror {mirror.rows}"]
    if truth.digest != mirror.digest:
        return [f"{name}: the same number of rows, {truth.rows}, but not the same values"]
    return []
