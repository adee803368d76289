"""Dates and times in queries."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Annotated

from fastapi import Depends, Query
from pydantic import TypeAdapter

from api.errors import ParameterError
from fleetdb.records.fields import Date
from fleetdb.timestamps import parse_rfc3339

_DATE = TypeAdapter(Date)


def end_of_day(day: date) -> datetime:
    """Return the moment a day is over, in UTC: verdicts as of a day know all of that day."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1)


def as_of_query(
    as_of: Annotated[
        str | None,
        Query(
            description="Judge by what had been performed by then: a date (its end, in UTC) or "
            "an RFC 3339 time. Left out: now.",
            examples=["2025-03-31"],
        ),
    ] = None,
) -> datetime | None:
    """Return the moment that ``as_of`` names.

    Raises
    ------
    ParameterError
        It is neither a date nor a time.
    """
    if as_of is None:
        return None
    try:
        if len(as_of) == 10:
            return end_of_day(_DATE.validate_python(as_of))
        return parse_rfc3339(as_of)
    except (ValueError, OverflowError):
        raise ParameterError(
            "as_of", "expected a date such as 2025-03-31, or an RFC 3339 time with offset"
        ) from None


AsOf = Annotated[datetime | None, Depends(as_of_query)]
