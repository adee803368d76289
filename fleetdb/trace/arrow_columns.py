"""Columns of Arrow tables as arrays of floats: what Parquet and Arrow IPC share."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.trace.checks import MOST_SAMPLES
from fleetdb.trace.columns import Column, columns_of, pointer_to

_MOST_COLUMNS = 200
# What Arrow raises of damaged bytes: some of what its C++ throws comes through as it is.
DAMAGE = (pa.ArrowException, OSError, ValueError, RuntimeError, OverflowError, MemoryError)


def numeric_columns(schema: pa.Schema) -> list[Column]:
    """Return the columns to read.

    Raises
    ------
    InvalidInputError
        As ``columns_of``, or one of them holds no plain numbers.
    """
    if len(schema.names) > _MOST_COLUMNS:
        raise InvalidInputError.at("", f"has more than {_MOST_COLUMNS} columns")
    columns = columns_of(schema.names)
    problems = [
        Problem(pointer_to(column.name), f"holds {kind}, not numbers")
        for column in columns
        if not _is_number(kind := schema.field(schema.names.index(column.name)).type)
    ]
    if problems:
        raise InvalidInputError(problems)
    return columns


def _is_number(kind: pa.DataType) -> bool:
    return pa.types.is_integer(kind) or pa.types.is_floating(kind)


def require_rows(n_rows: int) -> None:
    """Raise ``InvalidInputError`` if no trace has so many rows."""
    if not 0 <= n_rows <= MOST_SAMPLES:
        raise InvalidInputError.at("", f"has {n_rows:,} rows; at most {MOST_SAMPLES:,} are taken")


def floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    """Return numbers as float64; null is NaN, which no trace takes."""
    return column.cast(pa.float64(), safe=False).to_numpy()
