"""Planned tests as iCalendar (RFC 5545): one all-day event per vehicle.

An event is known by its vehicle (UID), and newer verdicts raise its SEQUENCE: imported again,
it moves to its new day. What is overdue stands on the day of the verdicts, where it is seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid5

from icalendar import Calendar, Event

from fleetdb.cautions import CAUTIONS
from fleetdb.report.planned_tests import WHY, Because

# Of this project's own making; with the installation, the fleet and the vehicle it makes a UID.
_NAMESPACE = UUID("5b1f6a52-7a55-4c39-9d0e-3f1c0c8e6a41")


def planned_calendar(
    rows: Iterable[Mapping[str, Any]],
    as_of: datetime,
    installation_id: UUID,
    fleet: str,
) -> bytes:
    """Return the plan as a calendar.

    Parameters
    ----------
    rows
        Rows of ``planned_tests.with_plan``.
    as_of
        The moment of their verdicts, aware.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//fleetdb//planned pump tests//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", f"Planned pump tests, {fleet}")
    for row in rows:
        calendar.add_component(_event(row, as_of, f"{installation_id}/{fleet}"))
    return calendar.to_ical()


def _event(row: Mapping[str, Any], as_of: datetime, fleet: str) -> Event:
    due, overdue = row["next_test_on"], row["overdue_days"] > 0
    day = as_of.date() if overdue else due
    summary = f"Test the pump of {row['vehicle']}"
    event = Event()
    event.add("uid", str(uuid5(_NAMESPACE, f"{fleet}/{row['vehicle']}")))
    event.add("dtstamp", as_of.astimezone(UTC))
    # Minutes, since SEQUENCE has 31 bits.
    event.add("sequence", int(as_of.timestamp()) // 60)
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("transp", "TRANSPARENT")
    event.add("summary", f"{summary}, overdue since {due}" if overdue else summary)
    if row["depot"]:
        event.add("location", row["depot"])
    told = f"{row['pump_family']}, {row['state'].replace('_', ' ')}."
    reason = WHY[Because(row["next_test_because"])]
    event.add("description", "\n".join([f"{told} {reason}", *CAUTIONS]))
    return event
