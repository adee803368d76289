from __future__ import annotations

from datetime import UTC, datetime

import pytest

from api.pages.clocks import UTC_OFFSETS, moment_of
from fleetdb.errors import InvalidInputError


@pytest.mark.parametrize(
    ("local", "offset", "hour"),
    [
        ("2026-05-04T10:30", "+00:00", 10),
        ("2026-05-04 10:30", "+02:00", 8),
        ("2026-05-04T10:30:00", "-09:00", 19),
        ("2026-05-04T10:30:00.0", "+01:00", 9),
    ],
)
def test_a_moment_is_what_the_field_and_its_clock_say(local: str, offset: str, hour: int) -> None:
    form = {"at": local, "utc_offset": offset}
    assert moment_of(form, "at") == datetime(2026, 5, 4, hour, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("", "is required"),
        ("2026-05-04", "expected a date and a time"),
        ("2026-02-30T10:00", "expected a date and a time"),
        ("2026-05-04T25:00", "expected a date and a time"),
        ("4.5.2026 10:30", "expected a date and a time"),
        ("0001-01-01T00:00", "expected a date and a time"),
    ],
)
def test_what_is_no_moment_is_told_at_its_field(typed: str, told: str) -> None:
    with pytest.raises(InvalidInputError) as refused:
        moment_of({"at": typed, "utc_offset": "+14:00"}, "at")
    [problem] = refused.value.problems
    assert (problem.pointer, told in problem.detail) == ("/at", True)


@pytest.mark.parametrize("offset", ["", "CET", "+25:00", "02:00"])
def test_a_clock_that_there_is_not_is_told_beside_the_time(offset: str) -> None:
    with pytest.raises(InvalidInputError) as refused:
        moment_of({"at": "now", "utc_offset": offset}, "at")
    assert [problem.pointer for problem in refused.value.problems] == ["/at", "/utc_offset"]


def test_every_offset_is_once_and_they_go_from_west_to_east() -> None:
    def minutes(offset: str) -> int:
        east = int(offset[1:3]) * 60 + int(offset[4:])
        return -east if offset.startswith("-") else east

    assert [minutes(o) for o in UTC_OFFSETS] == sorted({minutes(o) for o in UTC_OFFSETS})
