"""The calendar, read back with the library's own strict parser and checked against RFC 5545."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

from icalendar import Calendar

from fleetdb.cautions import CAUTIONS
from fleetdb.report.planned_calendar import planned_calendar

HERE = UUID("00000000-0000-4000-8000-000000000001")
AS_OF = datetime(2025, 6, 30, 12, tzinfo=UTC)
HOSTILE = "V-1;\r\nATTACH:x, <b> \\ \N{SNOWMAN}" + "\N{HIGH VOLTAGE SIGN}" * 60


def row(vehicle: str, due: date = date(2025, 7, 9), **fields: Any) -> dict[str, Any]:
    return {
        "vehicle": vehicle,
        "depot": "Quarry Lane",
        "pump_family": "ridge-16",
        "state": "stand_down",
        "next_test_on": due,
        "next_test_because": "risk",
        "overdue_days": 0,
        **fields,
    }


def calendar(*rows: dict[str, Any], as_of: datetime = AS_OF, fleet: str = "fleet") -> Calendar:
    return Calendar.from_ical(planned_calendar(rows, as_of, HERE, fleet))


def test_it_says_what_rfc_5545_requires_of_a_calendar_and_an_event() -> None:
    # Sections 3.6 (PRODID and VERSION once) and 3.6.1 (UID and DTSTAMP once, DTSTART).
    read = calendar(row("V-1"), row("V-2"))
    assert (read["VERSION"], str(read["PRODID"]).count("//")) == ("2.0", 3)
    assert len(read.events) == 2
    for event in read.events:
        for name in ("UID", "DTSTAMP", "DTSTART"):
            assert isinstance(event[name], object) and not isinstance(event[name], list)
        assert event.errors == []
    assert len({str(event["UID"]) for event in read.events}) == 2


def test_lines_end_in_cr_lf_and_have_75_octets_at_most() -> None:
    # Section 3.1.
    written = planned_calendar([row(HOSTILE, depot=HOSTILE)], AS_OF, HERE, "fleet")
    lines = written.split(b"\r\n")
    assert lines[0] == b"BEGIN:VCALENDAR" and lines[-2:] == [b"END:VCALENDAR", b""]
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    assert not any(line.startswith(b"ATTACH") for line in lines)
    for line in lines:
        line.decode("utf-8")


def test_a_hostile_name_is_text_and_comes_back_whole() -> None:
    [event] = calendar(row(HOSTILE, depot=HOSTILE)).events
    # Section 3.3.11 has one kind of line break in text.
    assert str(event["LOCATION"]) == HOSTILE.replace("\r\n", "\n")


def test_an_event_takes_its_whole_day_and_no_time_of_anyone() -> None:
    [event] = calendar(row("V-1")).events
    assert event["DTSTART"].dt == date(2025, 7, 9)
    assert event["DTEND"].dt == date(2025, 7, 10)
    assert event["TRANSP"] == "TRANSPARENT"
    assert str(event["SUMMARY"]) == "Test the pump of V-1"


def test_the_cautions_go_with_every_test() -> None:
    told = str(calendar(row("V-1")).events[0]["DESCRIPTION"])
    assert "ridge-16, stand down." in told
    assert "more than one chance in fifty" in told
    assert all(caution in told for caution in CAUTIONS)


def test_what_is_overdue_stands_where_it_is_seen() -> None:
    [event] = calendar(row("V-1", date(2025, 6, 1), overdue_days=29)).events
    assert event["DTSTART"].dt == AS_OF.date()
    assert str(event["SUMMARY"]) == "Test the pump of V-1, overdue since 2025-06-01"


def test_imported_again_an_event_is_the_same_one_and_newer() -> None:
    [before] = calendar(row("V-1")).events
    [after] = calendar(row("V-1", date(2025, 9, 1)), as_of=AS_OF + timedelta(minutes=1)).events
    assert before["UID"] == after["UID"]
    assert before["SEQUENCE"] < after["SEQUENCE"] < 2**31
    [elsewhere] = calendar(row("V-1"), fleet="south").events
    assert elsewhere["UID"] != before["UID"]


def test_a_plan_of_nothing_is_still_a_calendar() -> None:
    assert calendar().events == []
