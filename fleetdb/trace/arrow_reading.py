"""Arrow IPC with named columns, as a file or as a stream."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.ipc as ipc
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError
from fleetdb.trace.arrow_columns import floats, numeric_columns, require_rows
from fleetdb.trace.columns import Column

_FILE_MAGIC = b"ARROW1"


def read_arrow(content: bytes) -> Iterator[tuple[Column, NDArray[np.float64]]]:
    """Yield the columns of a trace.

    Raises
    ------
    InvalidInputError
        Damaged, no such columns, columns of other things than numbers, more rows than a trace has.
    """
    try:
        if content.startswith(_FILE_MAGIC):
            with ipc.open_file(pa.BufferReader(content)) as file:
                batches = (file.get_batch(i) for i in range(file.num_record_batches))
                yield from _columns(file.schema, batches)
        else:
            with ipc.open_stream(pa.BufferReader(content)) as stream:
                yield from _columns(stream.schema, stream)
    except (pa.ArrowException, OSError, ValueError) as error:
        if isinstance(error, InvalidInputError):
            raise
        raise InvalidInputError.at("", f"damaged Arrow IPC: {str(error)[:200]}") from None


def _columns(
    schema: pa.Schema, batches: Iterator[pa.RecordBatch]
) -> Iterator[tuple[Column, NDArray[np.float64]]]:
    columns = numeric_columns(schema)
    kept: list[pa.RecordBatch] = []
    n_rows = 0
    for batch in batches:
        batch.validate()
        n_rows += batch.num_rows
        require_rows(n_rows)
        kept.append(batch.select([column.name for column in columns]))
    table = pa.Table.from_batches(kept, kept[0].schema if kept else None)
    for column in columns:
        yield column, floats(table[column.name])
