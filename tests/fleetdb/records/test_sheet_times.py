"""Dates and times of a sheet, read as its sender says, in the zone its clocks kept."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from fleetdb.records.sheet_times import Clock, DateOrder, guess_order, zone_called, zone_names

DAY, MONTH = DateOrder.DAY_FIRST, DateOrder.MONTH_FIRST


def read(day: str, at: str = "", order: DateOrder = DAY, zone: str = "Europe/Oslo") -> str:
    moment = Clock(order, ZoneInfo(zone)).moment(day, at)
    assert moment.tzinfo is UTC
    return f"{moment:%Y-%m-%d %H:%M:%S}"


@pytest.mark.parametrize(
    ("day", "at", "order", "expected"),
    [
        # Norway is an hour before UTC in winter, two in summer (IANA tz database).
        ("2025-03-01 08:30", "", DAY, "2025-03-01 07:30:00"),
        ("2025-07-01T08:30:15", "", DAY, "2025-07-01 06:30:15"),
        ("1.3.2025 8.30", "", DAY, "2025-03-01 07:30:00"),
        ("1/3/25", "08:30", DAY, "2025-03-01 07:30:00"),
        ("3/1/2025", "8:30 PM", MONTH, "2025-03-01 19:30:00"),
        ("3/1/2025 12:05 am", "", MONTH, "2025-02-28 23:05:00"),
        ("2025-03-01 00:00:00", "08:30:00", DAY, "2025-03-01 07:30:00"),
        ("2025-03-01", "", DAY, "2025-03-01 11:00:00"),
        # With an offset of its own, whatever the zone.
        ("2025-03-01T08:30:00-05:00", "", DAY, "2025-03-01 13:30:00"),
        ("2025-03-01 08:30:00Z", "", DAY, "2025-03-01 08:30:00"),
        # 02:30 came twice; the first is summer time still.
        ("2025-10-26 02:30", "", DAY, "2025-10-26 00:30:00"),
    ],
)
def test_a_time_is_read_as_it_was_meant(day: str, at: str, order: DateOrder, expected: str) -> None:
    assert read(day, at, order) == expected


@pytest.mark.parametrize(
    ("day", "at", "words"),
    [
        ("", "", "is no date"),
        ("soon", "", "is no date"),
        ("31.2.2025", "", "read with the day first"),
        ("12/31/2025", "", "read with the day first"),
        ("1-2-3", "", "is no date"),
        ("45717.35", "", "is no date"),
        ("2025-03-01 25:00", "", "has no time"),
        ("2025-03-01", "13:00 PM", "AM or PM"),
        ("2025-03-01 08:30", "09:30", "beside the column of times"),
        ("2025-03-30 02:30", "", "did not show 02:30 that day"),
        ("2025-03-01T99:30:00Z", "", "is no date"),
    ],
)
def test_what_is_no_time_is_refused(day: str, at: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read(day, at)


@pytest.mark.parametrize(
    ("texts", "order", "is_sure"),
    [
        (["1/2/2025", "13/2/2025"], DAY, True),
        (["1/2/2025", "1/13/2025 08:30"], MONTH, True),
        (["1.2.2025"], DAY, True),
        (["1/2/2025"], DAY, False),
    ],
)
def test_the_order_is_guessed_from_days_that_can_be_no_months(
    texts: list[str], order: DateOrder, is_sure: bool
) -> None:
    assert guess_order(texts) == (order, is_sure)


def test_zones_are_those_of_places() -> None:
    names = zone_names()
    assert names[0] == "UTC" and "Europe/Oslo" in names and "Etc/GMT+5" not in names
    assert all(zone_called(name).key == name for name in names[:5])
    with pytest.raises(ValueError, match="no time zone"):
        zone_called("../../etc/passwd")


def test_the_moment_is_utc() -> None:
    assert Clock(DAY, ZoneInfo("UTC")).moment("2025-03-01", "08:30") == datetime(
        2025, 3, 1, 8, 30, tzinfo=UTC
    )
