"""Dates on the command line."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import click


def end_of_day(day: datetime) -> datetime:
    """Return the last instant of a day, UTC: a verdict as of a date sees all of that date."""
    start = datetime.combine(day.date(), time(), UTC)
    return start + timedelta(days=1) - timedelta(microseconds=1)


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
