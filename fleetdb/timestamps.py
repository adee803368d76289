"""RFC 3339 times: strict reading, UTC inside."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta

_RFC3339 = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})[Tt](\d{2}):(\d{2}):(\d{2})(?:\.(\d+))?(?:([Zz])|([+-])(\d{2}):(\d{2}))",
    re.ASCII,
)
_WHAT_IS_RIGHT = "expected an RFC 3339 time with offset, such as 2026-03-01T08:30:00+01:00"


def parse_rfc3339(text: str) -> datetime:
    """Return the UTC time that ``text`` names.

    A leap second (``:60``) is accepted only where one can be, at 23:59:60 UTC on
    the last day of a month, and is read as the second that follows it. Digits
    beyond the microsecond are dropped.

    Raises
    ------
    ValueError
        Not an RFC 3339 date-time, or no offset.

    References
    ----------
    RFC 3339, section 5.6.
    """
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise ValueError(_WHAT_IS_RIGHT)
    year, month, day, hour, minute, second = (int(match[i]) for i in range(1, 7))
    microsecond = int((match[7] or "0")[:6].ljust(6, "0"))
    offset = timedelta(0)
    if match[9]:
        offset_hours, offset_minutes = int(match[10]), int(match[11])
        if offset_hours > 23 or offset_minutes > 59:
            raise ValueError(f"the offset is out of range; {_WHAT_IS_RIGHT}")
        offset = timedelta(hours=offset_hours, minutes=offset_minutes)
        if match[9] == "-":
            offset = -offset
    leap = second == 60
    try:
        local = datetime(
            year, month, day, hour, minute, 59 if leap else second, microsecond, tzinfo=UTC
        )
        utc = local - offset
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{error}; {_WHAT_IS_RIGHT}") from None
    if leap:
        following = utc.replace(microsecond=0) + timedelta(seconds=1)
        if (utc.hour, utc.minute) != (23, 59) or following.day != 1:
            raise ValueError("second 60 exists only at 23:59:60 UTC at the end of a month")
        return following
    return utc


def end_of_day(day: date) -> datetime:
    """Return the last microsecond of ``day``, UTC: what is judged as of a date sees all of it."""
    return datetime.combine(day, time.max, UTC)


def format_rfc3339(moment: datetime) -> str:
    """Return ``moment`` (aware) as RFC 3339 in UTC, ending in ``Z``."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
