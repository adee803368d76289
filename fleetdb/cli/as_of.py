"""Dates on the command line."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from fleetdb import timestamps


def end_of_day(day: datetime) -> datetime:
    """Return the last instant of a day as the command line reads one, UTC; of today, now.

    Raises
    ------
    click.UsageError
        The day is still to come.
    """
    now = datetime.now(UTC)
    if day.date() > now.date():
        raise click.UsageError(f"--as-of {day:%Y-%m-%d} is still to come; today is {now:%Y-%m-%d}")
    return min(timestamps.end_of_day(day.date()), now)


def told_moment(as_of: str) -> str:
    """Return a snapshot's ``as_of`` (RFC 3339) to the minute, as people write it."""
    return f"{timestamps.parse_rfc3339(as_of):%Y-%m-%d %H:%M} UTC"


class Month(click.ParamType[tuple[int, int]]):
    """A month written YYYY-MM, as (year, month)."""

    name = "YYYY-MM"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        if isinstance(value, tuple):
            return value
        try:
            month = datetime.strptime(str(value), "%Y-%m")  # noqa: DTZ007 - only year and month
        except ValueError:
            self.fail(f"{value!r} is not a month written YYYY-MM, such as 2026-03", param, ctx)
        return month.year, month.month
