"""Replay: the verdicts of past month ends, each seeing only what was known by then."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import duckdb
import pyarrow as pa

from fleetdb.errors import InvalidInputError
from fleetdb.trend.pipeline import assess
from fleetdb.trend.states import Policy
from fleetdb.trend.teaching import Teacher

Month = tuple[int, int]


def month_ends(first: Month, last: Month) -> list[datetime]:
    """Return the last instant of each month from ``first`` to ``last``, UTC.

    Raises
    ------
    InvalidInputError
        ``last`` is before ``first``.
    """
    if last < first:
        raise InvalidInputError.at(
            "", f"--to {last[0]}-{last[1]:02} is before --from {first[0]}-{first[1]:02}"
        )
    ends = []
    year, month = first
    while (year, month) <= last:
        day = monthrange(year, month)[1]
        ends.append(
            datetime(year, month, day, tzinfo=UTC) + timedelta(days=1) - timedelta(microseconds=1)
        )
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
    return ends


def replay(
    connection: duckdb.DuckDBPyConnection,
    moments: list[datetime],
    policy: Policy | None = None,
    told: Callable[[int], None] | None = None,
    teacher: Teacher | None = None,
) -> pa.Table:
    """Return the verdicts of all ``moments``, one after another.

    Parameters
    ----------
    connection
        DuckDB with the views of ``fleetdb.warehouse.views``.
    told
        Called with the number of moments done.
    teacher
        Remembers what was learnt before; none is needed.
    """
    teacher = teacher or Teacher()
    parts = []
    for done, moment in enumerate(moments, start=1):
        parts.append(assess(connection, moment, policy, teacher).verdicts)
        if told is not None:
            told(done)
    return pa.concat_tables(parts)
