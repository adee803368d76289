"""Every field of every kind refuses what is wrong, and says which field it was."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from copy import deepcopy
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Document, Kind
from fleetdb.records.parsing import parse_document
from tests.documents import EXAMPLES

WRONG_FOR_ANY = [True, [], {}, "\u0000", float("nan")]
WRONG_NUMBER = ["650", "", -1000, math.inf, -math.inf, 10**400, 1e12]
WRONG_TEXT = [650, "", "x" * 2001, "bell\u0007", "\ud800"]
WRONG_NAME = [" blank", "blank ", "two\nlines", "a\ttab", "x" * 81]
WRONG_TIME = [
    *(1717396200, "2024-06-03", "2024-06-03T08:30:00", "2024-06-03 08:30:00Z", "yesterday"),
    # JSON-Schema-Test-Suite, date-time.json (invalid examples)
    *("1998-12-31T23:59:61Z", "1998-12-31T22:59:60Z", "1990-02-31T15:59:59.123-08:00"),
    *("1990-12-31T15:59:59-24:00", "1990-12-31T24:00:00Z", "1963-6-19T08:30:06.283185Z"),
    "2013-350T01:01:01",
]
WRONG_DATE = ["2024-02-30", "2024-W01-1", "24-01-01", "2024-1-1", "2024-01-01T00:00:00Z", 20240101]
WRONG_UUID = [17, "17", "{0000000-0000-4000-8000-00000000000}", "0" * 36, "g" * 8 + "-0000" * 7]
WRONG_WHOLE = [1.5, "1", 0, -1, 25]
WRONG_CHOICE = ["", "gearbox", 1]
WRONG_FLAG = ["true", "", 0, 1]


def fields_of(model: type[BaseModel], at: tuple[str | int, ...] = ()) -> Iterator[tuple[Any, Any]]:
    """Give the path and the JSON schema of every leaf field of a model, nested ones too."""
    schema = model.model_json_schema()
    for name, field in model.model_fields.items():
        nested = _model_in(field.annotation)
        if nested is None:
            yield (*at, name), schema["properties"][name]
        elif "list" in str(field.annotation):
            yield from fields_of(nested, (*at, name, 0))
        else:
            yield from fields_of(nested, (*at, name))


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type):
        return annotation if issubclass(annotation, BaseModel) else None
    return next((m for a in get_args(annotation) if (m := _model_in(a)) is not None), None)


def wrong_values(path: tuple[str | int, ...], schema: dict[str, Any]) -> list[Any]:
    """Return values that are wrong for a field with this schema."""
    name = str(path[-1])
    choices = [schema, *schema.get("anyOf", ())]
    types = {choice.get("type") for choice in choices}
    if any("$ref" in choice for choice in choices):
        return [*WRONG_FOR_ANY, *WRONG_CHOICE]
    if "boolean" in types:
        return [*(value for value in WRONG_FOR_ANY if value is not True), *WRONG_FLAG]
    if "integer" in types:
        return [*WRONG_FOR_ANY, *WRONG_NUMBER, *WRONG_WHOLE]
    if "number" in types:
        return [*WRONG_FOR_ANY, *WRONG_NUMBER]
    by_name = {
        "_at": WRONG_TIME,
        "_on": WRONG_DATE,
        "_from": WRONG_DATE,
        "_id": WRONG_UUID,
        "supersedes": WRONG_UUID,
    }
    for ending, values in by_name.items():
        if name.endswith(ending):
            return [*WRONG_FOR_ANY, *values]
    assert "string" in types, f"{path}: a new type of field needs wrong values here"
    return [*WRONG_FOR_ANY, *WRONG_TEXT, *([] if name in ("note", "reason") else WRONG_NAME)]


FIELDS = [
    pytest.param(kind, path, schema, id=f"{kind.value}-{'/'.join(map(str, path))}")
    for kind in Kind
    for path, schema in fields_of(kind.model)
]


def changed(values: dict[str, Any], path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    result: Any = deepcopy(values)
    inner = result
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return result


@pytest.mark.parametrize(("kind", "path", "schema"), FIELDS)
def test_a_wrong_value_is_refused_and_its_field_named(
    kind: Kind, path: tuple[str | int, ...], schema: dict[str, Any]
) -> None:
    for value in wrong_values(path, schema):
        values = changed(EXAMPLES[kind], path, value)
        for raw in (json.dumps(values), json.dumps(values).encode()):
            with pytest.raises(InvalidInputError) as caught:
                parse_document(kind, raw)
            pointers = [problem.pointer for problem in caught.value.problems]
            assert pointers == ["/" + "/".join(map(str, path))], (value, caught.value)
            assert caught.value.problems[0].detail


@pytest.mark.parametrize(("kind", "path", "schema"), FIELDS)
def test_a_field_is_required_or_may_be_null_or_absent(
    kind: Kind, path: tuple[str | int, ...], schema: dict[str, Any]
) -> None:
    with_null = changed(EXAMPLES[kind], path, None)
    without = deepcopy(with_null)
    inner: Any = without
    for step in path[:-1]:
        inner = inner[step]
    del inner[path[-1]]
    pointer = "/" + "/".join(map(str, path))

    if {"type": "null"} in schema.get("anyOf", ()) and pointer != "/cylinder":
        assert parse_document(kind, with_null) == parse_document(kind, without)
    else:
        for values in (with_null, without):
            with pytest.raises(InvalidInputError) as caught:
                parse_document(kind, values)
            assert caught.value.problems[0].pointer == pointer


@pytest.mark.parametrize("kind", Kind)
def test_an_unknown_field_is_refused_at_every_depth(kind: Kind) -> None:
    paths = {path[:-1] for path, _ in fields_of(kind.model)}
    for path in paths:
        values = changed(EXAMPLES[kind], (*path, "colour"), "red")

        with pytest.raises(InvalidInputError) as caught:
            parse_document(kind, values)

        pointer = "/".join(("", *map(str, path), "colour"))
        assert [problem.pointer for problem in caught.value.problems] == [pointer]


@pytest.mark.parametrize("kind", Kind)
def test_the_example_of_each_kind_fills_every_field(kind: Kind) -> None:
    document = parse_document(kind, EXAMPLES[kind])

    assert isinstance(document, Document)
    missing = {path for path, _ in fields_of(kind.model) if _value(document, path) is None}
    assert missing <= {("applies_from",), ("supersedes",), ("traces_follow",)}


def _value(document: Any, path: tuple[str | int, ...]) -> Any:
    for step in path:
        document = document[step] if isinstance(step, int) else getattr(document, step)
    return document


@pytest.mark.parametrize(
    ("kind", "changes", "pointer", "said"),
    [
        (Kind.PUMP_FAMILIES, {"proof_target_bar": 1700}, "/proof_target_bar", "1700"),
        (Kind.FITMENTS, {"cylinder": None}, "/cylinder", "needs its cylinder"),
        (Kind.FITMENTS, {"part": "pump"}, "/cylinder", "only for part injector"),
        (
            Kind.TEST_RECORDS,
            {"proof": None, "build": None, "leak": None},
            "",
            "at least one of proof, build, leak",
        ),
        (
            Kind.TEST_RECORDS,
            {"build": {"rate_bar_per_s": 300, "from_bar": 600, "to_bar": 600}},
            "/build/to_bar",
            "above from_bar",
        ),
        (
            Kind.TEST_RECORDS,
            {
                "leak": {
                    "duration_s": 30,
                    "cylinders": [{"cylinder": 2, "ml": 1}, {"cylinder": 2, "ml": 3}],
                }
            },
            "/leak/cylinders/1/cylinder",
            "given twice",
        ),
        (
            Kind.TEST_RECORDS,
            {"leak": {"duration_s": 0, "cylinders": [{"cylinder": 1, "ml": 1}]}},
            "/leak/duration_s",
            "above 0",
        ),
        (
            Kind.TEST_RECORDS,
            {"leak": {"duration_s": 30, "cylinders": []}},
            "/leak/cylinders",
            "at least 1",
        ),
        (
            Kind.TEST_RECORDS,
            {"supersedes": "00000000-0000-4000-8000-000000000001"},
            "/supersedes",
            "itself",
        ),
    ],
)
def test_fields_that_contradict_each_other_are_refused(
    kind: Kind, changes: dict[str, Any], pointer: str, said: str
) -> None:
    with pytest.raises(InvalidInputError) as caught:
        parse_document(kind, {**EXAMPLES[kind], **changes})

    [problem] = caught.value.problems
    assert problem.pointer == pointer
    assert said in problem.detail


def test_a_record_may_come_before_its_figures_only_when_it_says_that_traces_follow() -> None:
    bare = {name: EXAMPLES[Kind.TEST_RECORDS][name] for name in ("record_id", "vehicle", "note")}
    bare["performed_at"] = EXAMPLES[Kind.TEST_RECORDS]["performed_at"]

    assert parse_document(Kind.TEST_RECORDS, {**bare, "traces_follow": True})
    for values in (bare, {**bare, "traces_follow": False}):
        with pytest.raises(InvalidInputError, match=r"holds no reading.*traces_follow"):
            parse_document(Kind.TEST_RECORDS, values)


def test_a_whole_number_may_be_written_with_a_point() -> None:
    # JSON has one type of number; some writers put 4 as 4.0.
    written = parse_document(Kind.PUMP_FAMILIES, {**EXAMPLES[Kind.PUMP_FAMILIES], "cylinders": 4.0})

    assert written == parse_document(Kind.PUMP_FAMILIES, EXAMPLES[Kind.PUMP_FAMILIES])
