"""When a row of a sheet says a test was made: the date order and time zone are its sender's."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from enum import StrEnum
from zoneinfo import ZoneInfo, available_timezones

_DATE = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})", re.ASCII)
_TIME = re.compile(
    r"(\d{1,2})[:.](\d{2})(?:[:.](\d{2})(?:\.\d+)?)?(?: ?([AaPp])\.?[Mm]\.?)?", re.ASCII
)
_OFFSET = re.compile(r"(?:[Zz]|[+-]\d{2}:\d{2})$", re.ASCII)
_NO_DATE = "is no date: write one such as 2026-03-01"
# No time of day given: the middle of the day is at most half a day off.
_NOON = time(12)


class DateOrder(StrEnum):
    """How days are written where the year does not come first."""

    DAY_FIRST = "day_first"
    MONTH_FIRST = "month_first"


@dataclass(frozen=True, slots=True)
class Clock:
    """How the sheet's dates and times are to be read."""

    order: DateOrder
    zone: ZoneInfo

    def moment(self, day_text: str, time_text: str) -> datetime:
        """Return the UTC time of a row, from its date cell (which may hold a time) and time cell.

        An hour that the zone's clocks went through twice is the first of the two.

        Raises
        ------
        ValueError
            It is no date or time, or one that the zone's clocks did not show.
        """
        offset = _OFFSET.search(day_text)
        if offset is not None and ":" in day_text[: offset.start()]:
            try:
                return datetime.fromisoformat(day_text.replace(" ", "T", 1)).astimezone(UTC)
            except ValueError:
                raise ValueError(_NO_DATE) from None
        day_part, _, rest = day_text.replace("T", " ").partition(" ")
        if rest.strip() and time_text:
            # A date cell of a spreadsheet often carries midnight.
            rest = "" if set(rest) <= set("0:. ") else rest
        if rest.strip() and time_text:
            raise ValueError("has a time of day already, beside the column of times")
        at = _time(rest.strip() or time_text)
        local = datetime.combine(self._day(day_part), at, self.zone)
        moment = local.astimezone(UTC)
        if moment.astimezone(self.zone).replace(tzinfo=None) != local.replace(tzinfo=None):
            raise ValueError(f"the clocks of {self.zone.key} did not show {at:%H:%M} that day")
        return moment

    def _day(self, text: str) -> date:
        match = _DATE.fullmatch(text)
        if match is None:
            raise ValueError(_NO_DATE)
        first, middle, last = int(match[1]), int(match[3]), int(match[4])
        if len(match[1]) == 4:
            year, month, day = first, middle, last
        elif len(match[4]) in (2, 4):
            year = last if len(match[4]) == 4 else 2000 + last
            month, day = (middle, first) if self.order is DateOrder.DAY_FIRST else (first, middle)
        else:
            raise ValueError(_NO_DATE)
        try:
            return date(year, month, day)
        except ValueError:
            told = self.order.value.replace("_", " ")
            raise ValueError(f"is no date, read with the {told}") from None


def guess_order(texts: Iterable[str]) -> tuple[DateOrder, bool]:
    """Return how these dates are most likely written, and whether nothing speaks against it."""
    dotted = False
    for text in texts:
        match = _DATE.match(text)
        if match is None or len(match[1]) == 4:
            continue
        dotted = dotted or match[2] == "."
        if int(match[1]) > 12:
            return DateOrder.DAY_FIRST, True
        if int(match[3]) > 12:
            return DateOrder.MONTH_FIRST, True
    # Dots are written with the day first everywhere (common practice, no source).
    return DateOrder.DAY_FIRST, dotted


def zone_names() -> list[str]:
    """Return the names of places whose clocks are known, and UTC."""
    places = (n for n in available_timezones() if "/" in n and not n.startswith("Etc/"))
    return ["UTC", *sorted(places)]


def zone_called(name: str) -> ZoneInfo:
    """Return the zone of that name.

    Raises
    ------
    ValueError
        There is none.
    """
    if name not in available_timezones():
        raise ValueError(f"there is no time zone {name!r}")
    return ZoneInfo(name)


def _time(text: str) -> time:
    if not text:
        return _NOON
    match = _TIME.fullmatch(text.strip())
    if match is None:
        raise ValueError("has no time that can be read: write one such as 08:30")
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[4]:
        if not 1 <= hour <= 12:
            raise ValueError("has an hour that does not go with AM or PM")
        hour = hour % 12 + (12 if match[4] in "Pp" else 0)
    try:
        return time(hour, minute, second)
    except ValueError:
        raise ValueError("has no time that can be read: write one such as 08:30") from None
