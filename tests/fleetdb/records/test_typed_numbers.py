"""Numbers as typed: both decimal marks, blanks, and nothing read in one of two ways."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.records.typed_numbers import number_typed


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("650", "650"),
        (" 38.5 ", "38.5"),
        ("38,5", "38.5"),
        ("-4", "-4"),
        ("\u22124,5", "-4.5"),
        (".5", "0.5"),
        ("0.125", "0.125"),
        ("0,125", "0.125"),
        ("142 310", "142310"),
        ("142\u202f310,5", "142310.5"),
        ("1234.567", "1234.567"),
        ("1e-05", "0.00001"),
    ],
)
def test_either_mark_is_the_decimal_mark(text: str, value: str) -> None:
    assert number_typed(text) == Fraction(value)


@pytest.mark.parametrize("text", ["61.250", "61,250", "1.600", "-9,427"])
def test_what_could_be_thousands_is_not_guessed(text: str) -> None:
    with pytest.raises(ValueError, match="can be read as"):
        number_typed(text)


@pytest.mark.parametrize(
    ("text", "mark", "value"),
    [
        ("61.250", ".", "61.25"),
        ("61,250", ".", "61250"),
        ("61.250", ",", "61250"),
        ("61,250", ",", "61.25"),
        ("1.234.567,5", ",", "1234567.5"),
        ("1,234,567.5", ".", "1234567.5"),
        ("38,5", ",", "38.5"),
    ],
)
def test_where_the_mark_is_known_the_other_groups_thousands(
    text: str, mark: str, value: str
) -> None:
    assert number_typed(text, mark) == Fraction(value)


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("", None),
        ("six", None),
        ("650 bar", None),
        ("1.2.3", None),
        ("1.234,5", None),
        ("nan", None),
        ("inf", None),
        ("٣", None),
        ("9" * 41, None),
        ("1e999", None),
        ("38,5", "."),
        ("38.5", ","),
        ("1,23,456", "."),
        ("0,125", "."),
    ],
)
def test_what_is_no_number_is_refused(text: str, mark: str | None) -> None:
    with pytest.raises(ValueError, match=r"is no number|decimal mark"):
        number_typed(text, mark)


# Two digits of exponent are read, which no reading of a pump needs.
@given(st.floats(-1e6, 1e6).filter(lambda value: value == 0 or abs(value) > 1e-90))
def test_what_a_program_writes_is_read_back_exactly(value: float) -> None:
    assert number_typed(repr(value), ".") == Fraction(repr(value))
