"""Count and digest of rows, whatever order they come in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import duckdb
import pyarrow as pa


@dataclass(frozen=True, slots=True)
class Contents:
    """How many rows, and the sum of their 64-bit hashes.

    The hash is the query engine's, so digests are compared within one process and
    never stored.
    """

    rows: int = 0
    digest: int = 0

    def __add__(self, other: Contents) -> Contents:
        return Contents(self.rows + other.rows, self.digest + other.digest)


def contents_of(tables: Iterable[pa.Table]) -> Contents:
    """Return count and digest of all rows of ``tables``, which share one schema."""
    total = Contents()
    with duckdb.connect() as connection:
        for table in tables:
            connection.register("rows_to_digest", table)
            ((rows, digest),) = connection.execute(
                "SELECT count(*), coalesce(sum(hash(rows_to_digest)), 0) FROM rows_to_digest"
            ).fetchall()
            connection.unregister("rows_to_digest")
            total += Contents(rows, int(digest))
    return total
