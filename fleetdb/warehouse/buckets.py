"""Splitting rows by vehicle into buckets, on disk when they are many."""

from __future__ import annotations

import shutil
import zlib
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Self
from uuid import uuid4

import numpy as np
import pyarrow as pa

from fleetdb.warehouse.durable import TEMPORARY_PREFIX

BUCKETS = 32


def bucket_of(vehicle: str) -> int:
    """Return the bucket of a vehicle, the same on every machine and in every version."""
    return zlib.crc32(vehicle.encode()) % BUCKETS


def buckets_of(vehicles: pa.ChunkedArray) -> np.ndarray:
    """Return the bucket of each row, shape (n_rows,)."""
    encoded = vehicles.combine_chunks().dictionary_encode()
    known = np.array([bucket_of(vehicle) for vehicle in encoded.dictionary.to_pylist()], np.int64)
    return known[encoded.indices.to_numpy()] if len(known) else np.zeros(0, np.int64)


class Spill:
    """Rows gathered in memory up to ``keep_rows``, and beyond that in one file per bucket.

    Use as a context manager: its temporary folder is removed at the end.
    """

    def __init__(self, folder: Path, schema: pa.Schema, keep_rows: int) -> None:
        self.rows = 0
        self._schema = schema
        self._keep_rows = keep_rows
        self._kept: list[pa.Table] = []
        self._kept_rows = 0
        self._folder = folder / f"{TEMPORARY_PREFIX}{uuid4().hex}"
        self._writers: dict[int, pa.RecordBatchFileWriter] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for writer in self._writers.values():
            writer.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def add(self, rows: pa.Table) -> None:
        """Take in ``rows``."""
        self.rows += rows.num_rows
        self._kept_rows += rows.num_rows
        self._kept.append(rows)
        if self._kept_rows > self._keep_rows:
            self._write_out()

    def all_rows(self) -> pa.Table:
        """Return everything; only while it has all been kept in memory."""
        if self._writers:
            raise ValueError("the rows have been written out by bucket")
        return pa.concat_tables(self._kept)

    def rows_of(self, bucket: int) -> pa.Table:
        """Return the rows of one bucket; nothing can be added afterwards."""
        if self._kept:
            self._write_out()
        writer = self._writers.get(bucket)
        if writer is None:
            return self._schema.empty_table()
        writer.close()
        with pa.OSFile(str(self._path(bucket))) as file:
            return pa.ipc.open_file(file).read_all()

    def _write_out(self) -> None:
        rows = pa.concat_tables(self._kept)
        self._kept, self._kept_rows = [], 0
        buckets = buckets_of(rows["vehicle"])
        rows = rows.take(pa.array(np.argsort(buckets, kind="stable")))
        edges = np.searchsorted(np.sort(buckets), np.arange(BUCKETS + 1))
        for bucket, (start, end) in enumerate(pairwise(edges)):
            if end > start:
                self._writer(bucket).write_table(rows.slice(start, end - start))

    def _writer(self, bucket: int) -> pa.RecordBatchFileWriter:
        if bucket not in self._writers:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._writers[bucket] = pa.ipc.new_file(str(self._path(bucket)), self._schema)
        return self._writers[bucket]

    def _path(self, bucket: int) -> Path:
        return self._folder / f"{bucket:02}.arrow"
