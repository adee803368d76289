"""Dates and times in queries."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import Depends, Query
from pydantic import TypeAdapter

from api.errors import ParameterError
from fleetdb.records.fields import Date
from fleetdb.timestamps import end_of_day, parse_rfc3339

_DATE = TypeAdapter(Date)


def as_of_query(
    as_of: Annotated[
        str | None,
        Query(
            description="Judge by what had been performed by then: a date (its end, in UTC) or "
            "an RFC 3339 time; one to come is read as now. Left out: now.",
            examples=["2025-03-31"],
        ),
    ] = None,
) -> datetime | None:
    """Return the moment that ``as_of`` names, at the latest now.

    Raises
    ------
    ParameterError
        It is neither a date nor a time.
    """
    if as_of is None:
        return None
    try:
        is_date = len(as_of) == 10
        moment = end_of_day(_DATE.validate_python(as_of)) if is_date else parse_rfc3339(as_of)
    except ValueError:
        raise ParameterError(
            "as_of", "expected a date such as 2025-03-31, or an RFC 3339 time with offset"
        ) from None
    return min(moment, datetime.now(UTC))


AsOf = Annotated[datetime | None, Depends(as_of_query)]
