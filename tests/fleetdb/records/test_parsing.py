"""JSON text: what is no document at all is refused, and says where."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from tests.documents import TEST_RECORD, VEHICLE
from tests.strategies import VALID


def problems_of(kind: Kind, raw: Any) -> list[tuple[str, str]]:
    with pytest.raises(InvalidInputError) as caught:
        parse_document(kind, raw)
    return [(problem.pointer, problem.detail) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b'{"vehicle": "V-17",}', "not JSON"),
        (b"[]", "expected a JSON object"),
        (b"null", "expected a JSON object"),
        (b'"text"', "expected a JSON object"),
        (b"17", "expected a JSON object"),
        (b'{"vehicle": "\xff"}', "byte 14 is not UTF-8"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a":' * 100_000, "nested too deeply"),
        ('{"vehicle": "V"}'.encode("utf-16"), "not UTF-8"),
    ],
)
def test_what_is_no_json_object_is_refused_as_a_whole(raw: bytes, said: str) -> None:
    [(pointer, detail)] = problems_of(Kind.VEHICLES, raw)

    assert pointer == ""
    assert said in detail


def test_a_name_given_twice_is_refused_at_any_depth() -> None:
    raw = json.dumps(VEHICLE)[:-1] + ', "vehicle": "V-18"}'
    assert problems_of(Kind.VEHICLES, raw) == [("/vehicle", "is given twice in one object")]

    raw = json.dumps(TEST_RECORD).replace('"fuel_temp_c"', '"crank_rpm": 1, "fuel_temp_c"')
    assert problems_of(Kind.TEST_RECORDS, raw)[0][1] == "is given twice in one object"


def test_every_bad_field_is_named_at_once() -> None:
    values = {**TEST_RECORD, "vehicle": 17, "proof": {"target_bar": "700"}, "colour": "red"}

    pointers = {pointer for pointer, _ in problems_of(Kind.TEST_RECORDS, values)}

    assert pointers == {"/vehicle", "/proof/target_bar", "/proof/actual_bar", "/colour"}


def test_a_slip_in_a_name_gets_a_suggestion() -> None:
    values = {**TEST_RECORD, "conditions": {"fuel_temp": 40}}

    assert problems_of(Kind.TEST_RECORDS, values) == [
        ("/conditions/fuel_temp", "unknown field; did you mean fuel_temp_c?")
    ]


def test_pointers_escape_what_rfc_6901_says() -> None:
    # RFC 6901, section 3: "~" is written ~0 and "/" is written ~1.
    assert problems_of(Kind.VEHICLES, {**VEHICLE, "a/b~c": 1})[0][0] == "/a~1b~0c"


@pytest.mark.parametrize("name", ["\ud800", "\u0000", "new\nline"])
def test_a_name_no_text_can_hold_is_refused_in_a_pointer_that_text_can_hold(name: str) -> None:
    [(pointer, _)] = problems_of(Kind.VEHICLES, json.dumps({**VEHICLE, name: 1}))

    assert pointer.encode("utf-8")


def test_a_byte_order_mark_and_outer_blanks_are_no_part_of_the_document() -> None:
    plain = json.dumps(VEHICLE)

    for raw in (b"\xef\xbb\xbf" + plain.encode(), "\ufeff" + plain, f" {plain} \r\n"):
        assert parse_document(Kind.VEHICLES, raw) == parse_document(Kind.VEHICLES, VEHICLE)


@pytest.mark.parametrize("kind", Kind)
@given(data=st.data())
def test_a_document_written_out_and_read_again_is_the_same(kind: Kind, data: st.DataObject) -> None:
    document = parse_document(kind, data.draw(VALID[kind]))

    assert parse_document(kind, document.model_dump_json()) == document
    assert parse_document(kind, document.model_dump_json(exclude_none=True)) == document


@given(st.binary() | st.text())
def test_any_text_is_a_document_or_an_input_error(raw: bytes | str) -> None:
    with pytest.raises(InvalidInputError):
        parse_document(Kind.FINDINGS, raw)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=5,
)


@given(st.sampled_from(sorted(TEST_RECORD)), json_values)
def test_any_value_of_a_field_is_taken_or_refused_by_name(field: str, value: Any) -> None:
    try:
        parse_document(Kind.TEST_RECORDS, json.dumps({**TEST_RECORD, field: value}))
    except InvalidInputError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.pointer.split("/")[1] == field
