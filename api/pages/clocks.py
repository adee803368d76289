"""A day and a time as a form has them: by some clock, and how far that clock is from UTC."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime

from fleetdb.errors import InvalidInputError, Problem

UTC_OFFSET = "utc_offset"
_LOCAL_TIME = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?", re.ASCII)
# Every offset that a place on earth keeps, from west to east.
UTC_OFFSETS = (
    *(f"-{h:02}:00" for h in range(12, 9, -1)),
    "-09:30",
    *(f"-{h:02}:00" for h in range(9, 3, -1)),
    "-03:30",
    *(f"-{h:02}:00" for h in range(3, 0, -1)),
    *("+00:00", "+01:00", "+02:00", "+03:00", "+03:30", "+04:00", "+04:30", "+05:00", "+05:30"),
    *("+05:45", "+06:00", "+06:30", "+07:00", "+08:00", "+08:45", "+09:00", "+09:30", "+10:00"),
    *("+10:30", "+11:00", "+12:00", "+12:45", "+13:00", "+13:45", "+14:00"),
)


def moment_of(form: Mapping[str, str], name: str) -> datetime:
    """Return the moment, UTC, that a form's field ``name`` and its clock say.

    Raises
    ------
    InvalidInputError
        The field or the clock is missing, or is none.
    """
    problems: list[Problem] = []
    local, offset = form.get(name, ""), form.get(UTC_OFFSET, "")
    if offset not in UTC_OFFSETS:
        problems.append(Problem(f"/{UTC_OFFSET}", "choose how far the clock was from UTC"))
        offset = "+00:00"
    moment = _moment(local, offset)
    if moment is None:
        told = "expected a date and a time, such as 2026-03-01T08:30" if local else "is required"
        problems.insert(0, Problem(f"/{name}", told))
    if problems or moment is None:
        raise InvalidInputError(problems)
    return moment


def _moment(local: str, offset: str) -> datetime | None:
    if not _LOCAL_TIME.fullmatch(local):
        return None
    try:
        return datetime.fromisoformat(f"{local}{offset}").astimezone(UTC)
    except (ValueError, OverflowError):
        return None
