"""Arrow IPC with named columns, as a file or as a stream."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.ipc as ipc
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError
from fleetdb.trace.arrow_columns import DAMAGE, floats, numeric_columns
from fleetdb.trace.arrow_sizes import FILE_MAGIC, require_small_buffers
from fleetdb.trace.checks import MOST_SAMPLES
from fleetdb.trace.columns import Column
from fleetdb.trace.unpacking import MOST_BYTES


def read_arrow(content: bytes) -> Iterator[tuple[Column, NDArray[np.float64]]]:
    """Yield the columns of a trace.

    Raises
    ------
    InvalidInputError
        Damaged, no such columns, columns of other things than numbers, more rows than a trace has.
    """
    buffer = pa.py_buffer(content)
    opened = ipc.open_file if content.startswith(FILE_MAGIC) else ipc.open_stream
    try:
        require_small_buffers(content, MOST_SAMPLES, MOST_BYTES)
        with opened(buffer) as reader:
            columns = numeric_columns(reader.schema)
            wanted = [reader.schema.names.index(column.name) for column in columns]
        options = ipc.IpcReadOptions(included_fields=sorted(wanted), use_threads=False)
        with opened(buffer, options=options) as reader:
            table = reader.read_all()
        table.validate()
        for column in columns:
            yield column, floats(table[column.name])
    except DAMAGE as error:
        if isinstance(error, InvalidInputError):
            raise
        raise InvalidInputError.at("", f"damaged Arrow IPC: {str(error)[:200]}") from None
