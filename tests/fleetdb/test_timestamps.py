"""Times as RFC 3339 has them, read strictly."""

from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.timestamps import end_of_day, format_rfc3339, parse_rfc3339


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # RFC 3339, section 5.8
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, tzinfo=UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
    ],
)
def test_the_examples_of_rfc_3339_are_read(text: str, utc: datetime) -> None:
    assert parse_rfc3339(text) == utc


@pytest.mark.parametrize(
    "text",
    [
        # JSON-Schema-Test-Suite, date-time.json
        "1998-12-31T23:59:61Z",
        "1998-12-31T22:59:60Z",
        "1990-02-31T15:59:59.123-08:00",
        "1990-12-31T15:59:59-24:00",
        "1990-12-31T24:00:00Z",
        "1963-6-19T08:30:06.283185Z",
        "2013-350T01:01:01",
        # What `datetime.fromisoformat` would take
        "2024-06-03T08:30:00",
        "2024-W23-1T08:30:00Z",
        "20240603T083000Z",
        # Digits of other scripts, a time before the first year
        "２０２４-06-03T08:30:00Z",
        "0001-01-01T00:00:00+00:01",
        "",
    ],
)
def test_what_is_no_rfc_3339_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        parse_rfc3339(text)


@given(
    st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30), timezones=st.timezones())  # noqa: DTZ001
)
def test_a_time_written_and_read_again_is_the_same_moment(moment: datetime) -> None:
    # Python holds a local time that happens twice to be unequal to every other zone's.
    assert parse_rfc3339(format_rfc3339(moment)) == moment.astimezone(UTC)
    assert format_rfc3339(moment).endswith("Z")


@pytest.mark.parametrize(
    ("day", "end"),
    [
        (date(2025, 12, 31), "2025-12-31T23:59:59.999999Z"),
        (date(9999, 12, 31), "9999-12-31T23:59:59.999999Z"),
    ],
)
def test_a_day_ends_with_its_last_microsecond(day: date, end: str) -> None:
    assert format_rfc3339(end_of_day(day)) == end
