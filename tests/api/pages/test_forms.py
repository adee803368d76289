from __future__ import annotations

import pytest

from api.pages.forms import Refused, all_of, attempt, number_of
from fleetdb.errors import (
    ConflictError,
    InvalidInputError,
    NotFoundError,
    Problem,
    SameIdOtherBodyError,
)

NAMES = frozenset({"note", "odometer_km"})


def failing(error: Exception):
    def work() -> None:
        raise error

    return work


def test_what_work_returns_is_returned() -> None:
    assert attempt(lambda: 7, NAMES) == 7


def test_each_problem_stands_at_its_field_and_the_others_above() -> None:
    error = InvalidInputError(
        [
            Problem("/note", "too long"),
            Problem("/note", "unprintable"),
            Problem("/vehicle", "unknown"),
            Problem("", "unreadable"),
        ]
    )
    refused = attempt(failing(error), NAMES)
    assert refused == Refused(422, {"note": "too long"}, ["vehicle: unknown", "unreadable"])


def test_an_id_stored_with_other_contents_asks_for_another_id() -> None:
    same_id = SameIdOtherBodyError("finding", "9d0f6b0a", "/finding_id")
    refused = attempt(failing(same_id), NAMES)
    assert isinstance(refused, Refused)
    assert (refused.status, refused.sent_before) == (409, True)


def test_a_conflict_is_told_and_other_errors_pass() -> None:
    assert attempt(failing(ConflictError("voided before")), NAMES) == Refused(
        409, general=["voided before"]
    )
    with pytest.raises(NotFoundError):
        attempt(failing(NotFoundError("vehicle", "V1")), NAMES)


@pytest.mark.parametrize(
    ("typed", "number"), [("98500", 98500), ("98 500", 98500), ("12,5", 12.5), ("", None)]
)
def test_a_number_is_read_as_people_type_it(typed: str, number: float | None) -> None:
    assert number_of({"km": typed}, "km") == number
    assert number_of({}, "km") is None


@pytest.mark.parametrize("typed", ["far", "12 km", "61.250", "1e", "--3"])
def test_what_is_no_number_is_told_at_its_field(typed: str) -> None:
    with pytest.raises(InvalidInputError) as refused:
        number_of({"km": typed}, "km")
    assert [problem.pointer for problem in refused.value.problems] == ["/km"]


def test_the_problems_of_all_parts_are_told_at_once() -> None:
    parts = [failing(InvalidInputError.at(f"/{name}", "wrong")) for name in ("a", "b")]
    with pytest.raises(InvalidInputError) as refused:
        all_of(parts[0], lambda: None, parts[1])
    assert [problem.pointer for problem in refused.value.problems] == ["/a", "/b"]
    assert all_of(lambda: 1, lambda: 2) == [1, 2]
