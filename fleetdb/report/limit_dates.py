"""When a pump is at its limit, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fleetdb.trend.states import State


def limit_in_words(verdict: Mapping[str, Any]) -> str | None:
    """Return the sentence on a verdict's limit dates, or None where it has none.

    ``verdict`` is a row of the verdicts, or the same as JSON values (dates as text).

    Examples
    --------
    >>> limit_in_words(
    ...     {"as_of": "2025-01-31", "limit_date_p10": "2025-03-01", "limit_date_p50": "2025-06-01"}
    ... )
    'At the limit by 2025-06-01 (even chances), with one chance in ten by 2025-03-01'
    """
    early, middle = verdict["limit_date_p10"], verdict["limit_date_p50"]
    if is_past(middle, verdict):
        return "Most likely at the limit by now"
    if early is None:
        return None
    return (
        f"At the limit by {middle or 'a date too far to see'} (even chances), "
        f"with one chance in ten by {'today' if is_past(early, verdict) else early}"
    )


def is_due_now(verdict: Mapping[str, Any]) -> bool:
    """Return whether a pump waits for no date: it stands down, or is at its limit most likely."""
    return verdict["state"] == State.STAND_DOWN.word or is_past(verdict["limit_date_p50"], verdict)


def is_past(limit_date: Any, verdict: Mapping[str, Any]) -> bool:
    """Return whether a limit date has come by the day of the verdict."""
    return limit_date is not None and limit_date <= verdict["as_of"]
