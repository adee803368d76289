"""Parameters are refused in this project's words, whichever it is and whatever is wrong."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import quote

import pytest

from api.wording import parameter_problems
from tests.api.test_errors import assert_is_problem

# How the libraries begin what they say of a bad value.
LEAKS = re.compile(r"Input should|String should|Value error|unable to parse|valid ", re.IGNORECASE)


@pytest.mark.parametrize(
    ("address", "parameter", "detail"),
    [
        (
            "verdicts?state=fine",
            "state",
            "must be one of 'unproven', 'sound', 'watch', 'book_in' or 'stand_down'",
        ),
        ("verdicts?state=watch&state=fine", "state", "must be one of 'unproven', "),
        ("verdicts?sort=colour", "sort", "must be one of 'urgency', 'probability', "),
        ("kits?reads_off=perhaps", "reads_off", "expected true or false"),
        ("kits?limit=many", "limit", "expected a whole number, such as 100"),
        ("kits?limit=1.5", "limit", "expected a whole number, such as 100"),
        ("kits?limit=" + "9" * 5000, "limit", "expected a whole number, such as 100"),
        ("kits?limit=0", "limit", "must be at least 1"),
        ("kits?limit=1001", "limit", "must be at most 1000"),
        ("fitments?vehicle=", "vehicle", "must not be empty"),
        ("fitments?part=wheel", "part", "must be one of 'pump', "),
        ("fitments/seven", "fitment_id", "expected a UUID, such as "),
        ("vehicles/%00", "vehicle", "contains the unprintable character U+0000"),
    ],
)
def test_what_would_be_right_is_said_plainly(
    api: Any, address: str, parameter: str, detail: str
) -> None:
    problem = assert_is_problem(api.manager.get(f"/v1/{address}"), 422)

    [error] = problem["errors"]
    assert error["parameter"] == parameter
    assert error["detail"].startswith(detail)
    assert problem["detail"] == f"{parameter}: {error['detail']}"


def test_no_parameter_is_refused_in_a_librarys_words(api: Any) -> None:
    described = api.manager.get("/openapi.json").json()["paths"]
    tried = 0
    for template, methods in described.items():
        for parameter in methods.get("get", {}).get("parameters", ()):
            path = re.sub(r"{(\w+)}", "018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f", template)
            for value in ("", "\x00", "-1", "x" * 3000):
                query = ""
                if parameter["in"] == "query":
                    query = f"?{parameter['name']}={quote(value)}"
                elif parameter["in"] == "path":
                    path = template.replace(f"{{{parameter['name']}}}", quote(value) or "%20")
                answer = api.as_role("admin").get(path + query)
                tried += 1
                assert answer.status_code < 500
                if answer.is_error:
                    assert not LEAKS.search(answer.text), (path, query, answer.text)
    assert tried > 100


def test_an_error_without_words_of_its_own_still_names_the_parameter() -> None:
    error = {"type": "new_in_a_later_version", "loc": ("query", "x", 0), "msg": "Input should"}

    assert parameter_problems([error]) == [{"parameter": "x", "detail": "cannot be used here"}]
