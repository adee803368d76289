"""Dates on the command line."""

from __future__ import annotations

from datetime import datetime

import click

from fleetdb import timestamps


def end_of_day(day: datetime) -> datetime:
    """Return the last instant of a day as the command line reads one, UTC."""
    return timestamps.end_of_day(day.date())


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
