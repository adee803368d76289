"""Parquet with named columns."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError
from fleetdb.trace.arrow_columns import DAMAGE, floats, numeric_columns, require_rows
from fleetdb.trace.columns import Column
from fleetdb.trace.parquet_sizes import require_small_pages
from fleetdb.trace.unpacking import MOST_BYTES

_LONGEST_STRING_BYTES = 1 << 20
_LARGEST_LIST = 100_000


def read_parquet(content: bytes) -> Iterator[tuple[Column, NDArray[np.float64]]]:
    """Yield the columns of a trace.

    Raises
    ------
    InvalidInputError
        Damaged, no such columns, columns of other things than numbers, more rows than a trace has.
    """
    try:
        with pq.ParquetFile(
            pa.BufferReader(content),
            thrift_string_size_limit=_LONGEST_STRING_BYTES,
            thrift_container_size_limit=_LARGEST_LIST,
        ) as file:
            require_rows(file.metadata.num_rows)
            columns = numeric_columns(file.schema_arrow)
            names = {column.name for column in columns}
            require_small_pages(content, names, MOST_BYTES)
            table = file.read([column.name for column in columns], use_threads=False)
        require_rows(table.num_rows)
        for column in columns:
            yield column, floats(table[column.name])
    except DAMAGE as error:
        if isinstance(error, InvalidInputError):
            raise
        raise InvalidInputError.at("", f"damaged Parquet: {str(error)[:200]}") from None
