"""Growing a table of the mirror: whole files only, merged so that few are left.

The rule. A new file takes in every file of its group that is at most twice its own
size, and then again, until none is left that small. Files of a group therefore more
than double from one to the next: a group of n rows has at most log2(n) files, and a
row is rewritten about as often.

Test records are of 32 groups, by a stable hash of the vehicle. A sync that brings a
few rows would still touch most of them, so rows gather in the group "fresh" until
there are more than ``FRESH_ROWS``, and only then move to their buckets.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from uuid import uuid4

import pyarrow as pa
import pyarrow.parquet as pq

from fleetdb.warehouse.buckets import BUCKETS, Spill
from fleetdb.warehouse.durable import write_whole
from fleetdb.warehouse.manifest import Part
from fleetdb.warehouse.mirror_tables import MirrorTable

FRESH_ROWS = 50_000
ABSORB_FACTOR = 2
# Small enough to skip most of a file when one vehicle is wanted.
ROW_GROUP_ROWS = 32_768
BUCKETED_TABLE = "test_records"


def grow(
    folder: Path, table: MirrorTable, parts: list[Part], batches: Iterable[pa.Table]
) -> list[Part]:
    """Return the files of ``table`` after adding ``batches`` to those in ``parts``.

    Files that were merged are left out of the answer but stay on the disk; a table
    without any row has one empty file, so that every table can be read.
    """
    if table.name == BUCKETED_TABLE:
        grown = _grow_buckets(folder, table, parts, batches)
    else:
        rows = pa.concat_tables([table.schema.empty_table(), *batches])
        grown = _add(folder, table, "all", parts, rows) if rows.num_rows else parts
    if not grown:
        grown = [_write(folder, table, "all", table.schema.empty_table())]
    return grown


def _grow_buckets(
    folder: Path, table: MirrorTable, parts: list[Part], batches: Iterable[pa.Table]
) -> list[Part]:
    settled = [part for part in parts if part.group.startswith("b")]
    fresh = [part for part in parts if not part.group.startswith("b")]
    n_fresh = sum(part.rows for part in fresh)
    with Spill(folder, table.schema, keep_rows=FRESH_ROWS) as spill:
        for batch in batches:
            spill.add(batch)
        if spill.rows == 0:
            return parts
        if n_fresh + spill.rows <= FRESH_ROWS:
            return settled + _add(folder, table, "fresh", fresh, spill.all_rows())
        for part in fresh:
            spill.add(read_part(folder, part))
        grown: list[Part] = []
        for bucket in range(BUCKETS):
            group = f"b{bucket:02}"
            own = [part for part in settled if part.group == group]
            rows = spill.rows_of(bucket)
            grown += _add(folder, table, group, own, rows) if rows.num_rows else own
    return grown


def _add(
    folder: Path, table: MirrorTable, group: str, parts: list[Part], rows: pa.Table
) -> list[Part]:
    kept = sorted(parts, key=lambda part: part.rows)
    absorbed: list[Part] = []
    total = rows.num_rows
    while kept and kept[0].rows <= ABSORB_FACTOR * total:
        absorbed.append(kept.pop(0))
        total += absorbed[-1].rows
    merged = pa.concat_tables([rows, *(read_part(folder, part) for part in absorbed)])
    return [*kept, _write(folder, table, group, merged)]


def read_part(folder: Path, part: Part) -> pa.Table:
    """Return the rows of one file."""
    with pq.ParquetFile(folder / part.path) as file:
        return file.read()


def read_schema(folder: Path, part: Part) -> pa.Schema:
    """Return the columns of one file."""
    return pq.read_schema(folder / part.path)


def _write(folder: Path, table: MirrorTable, group: str, rows: pa.Table) -> Part:
    rows = rows.sort_by([(column, "ascending") for column in table.sort_by])
    path = folder / table.name / f"{group}-{uuid4().hex}.parquet"
    path.parent.mkdir(parents=True, exist_ok=True)

    def write(temporary: Path) -> None:
        pq.write_table(rows, temporary, compression="zstd", row_group_size=ROW_GROUP_ROWS)

    write_whole(path, write)
    return Part(
        path=str(path.relative_to(folder)),
        table=table.name,
        group=group,
        rows=rows.num_rows,
        size_bytes=path.stat().st_size,
        sha256=file_sha256(path),
    )


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's contents."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
