"""A span of months in queries."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated

from fastapi import Depends, Query

from api.errors import ParameterError
from fleetdb.trend.backtest import Month

DEFAULT_MONTHS = 24
MOST_MONTHS = 120
_MONTH = re.compile(r"([1-9]\d{3})-(0[1-9]|1[0-2])", re.ASCII)


def months_query(
    first: Annotated[
        str | None,
        Query(alias="from", description="First month, YYYY-MM.", examples=["2024-07"]),
    ] = None,
    last: Annotated[
        str | None, Query(alias="to", description="Last month, YYYY-MM; it must be over (UTC).")
    ] = None,
) -> tuple[Month, Month]:
    """Return the first and the last month asked for.

    Left out, ``to`` is the last whole month and ``from`` makes 24 months of it.

    Raises
    ------
    ParameterError
        One is not a month, the last is not over or before the first, or the span is too long.
    """
    now = datetime.now(UTC)
    this = 12 * now.year + now.month - 1
    until = this - 1 if last is None else _number("to", last)
    since = until - DEFAULT_MONTHS + 1 if first is None else _number("from", first)
    if until >= this:
        raise ParameterError("to", f"{last} is not over yet")
    if until < since:
        raise ParameterError("to", f"is before from, which is {_text(since)}")
    if until - since >= MOST_MONTHS:
        raise ParameterError("from", f"at most {MOST_MONTHS} months at once")
    return _month(since), _month(until)


def _number(parameter: str, text: str) -> int:
    found = _MONTH.fullmatch(text)
    if found is None:
        raise ParameterError(parameter, "expected a month such as 2025-03")
    return 12 * int(found[1]) + int(found[2]) - 1


def _month(number: int) -> Month:
    return number // 12, number % 12 + 1


def _text(number: int) -> str:
    year, month = _month(number)
    return f"{year}-{month:02}"


MonthsDep = Annotated[tuple[Month, Month], Depends(months_query)]
