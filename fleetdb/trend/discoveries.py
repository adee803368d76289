"""How small a p-value must be, when a whole fleet's trends are looked at together.

Of 100,000 level build rates 5,000 have a trend with p below 0.05. Benjamini and Hochberg's
rule bounds the share of false ones among those told of (Y. Benjamini and Y. Hochberg,
J. R. Stat. Soc. B 57, 289-300, 1995).
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from fleetdb.trend.beliefs import Floats

SHARE_FALSE = 0.05
"""Of the trends told of, expected to be none. [-]"""

SCHEMA = pa.schema([("largest_p", pa.float64())])


def largest_p(p_values: Floats, share_false: float = SHARE_FALSE) -> float:
    """Return the largest p-value to tell of; 0 where none is.

    NaN (too few points for a test) is no trend and does not count.
    """
    p = np.sort(p_values[~np.isnan(p_values)])
    within = np.flatnonzero(p <= share_false * np.arange(1, len(p) + 1) / len(p)) if len(p) else p
    return float(p[within[-1]]) if len(within) else 0.0


def as_table(line: float) -> pa.Table:
    """Return the line as a table of one row, as a snapshot publishes it."""
    return pa.table({"largest_p": [line]}, schema=SCHEMA)
