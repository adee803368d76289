"""Answers of SQL put in the order of a series' pumps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


def aligned(table: pa.Table, ids: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    """Return a table's columns in the order of ``ids``, NaN or NaT where it has no row."""
    own = table["pump_id"].to_numpy()
    where = np.searchsorted(own, ids)
    found = np.zeros(len(ids), dtype=bool)
    inside = where < len(own)
    found[inside] = own[where[inside]] == ids[inside]
    take = pa.array(np.where(found, where, 0), mask=~found)
    columns = {}
    for name in table.column_names:
        values = table[name].take(take)
        if pa.types.is_integer(values.type):
            values = values.cast(pa.float64())
        columns[name] = values.to_numpy(zero_copy_only=False)
    return columns
