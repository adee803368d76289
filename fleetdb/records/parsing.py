"""From JSON text to a checked document, with one problem per bad field."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from typing import Any, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.records.documents import Document, Kind

D = TypeVar("D", bound=Document)

# Errors of pydantic whose own words would not tell a workshop what is right.
PLAIN_WORDS = {
    "missing": "is required",
    "float_type": "expected a number, without quotes",
    "int_type": "expected a whole number, without quotes",
    "string_type": "expected text in quotes",
    "string_unicode": "holds half of a surrogate pair, which is no character",
    "finite_number": "expected a finite number",
    "list_type": "expected a list in brackets",
    "model_type": "expected an object in braces",
    "model_attributes_type": "expected an object in braces",
    "too_short": "must hold at least {min_length}",
    "too_long": "must hold at most {max_length}",
    "string_too_short": "must not be empty",
    "string_too_long": "must be at most {max_length} characters long",
    "greater_than": "must be above {gt:.12g}",
    "greater_than_equal": "must be at least {ge:.12g}",
    "less_than": "must be below {lt:.12g}",
    "less_than_equal": "must be at most {le:.12g}",
    "enum": "must be one of {expected}",
    "bool_type": "expected true or false, without quotes",
}


def parse_document(kind: Kind, raw: bytes | str | dict[str, Any]) -> Document:
    """Return the document of this ``kind`` that ``raw`` holds.

    ``raw`` is JSON text (UTF-8; a byte order mark is accepted) or an object
    already read from it.

    Raises
    ------
    InvalidInputError
        With one problem per bad field.
    """
    return parse_as(kind.model, raw)


def parse_as(model: type[D], raw: bytes | str | dict[str, Any]) -> D:
    """Return the ``model`` that ``raw`` holds: ``parse_document`` for any strict model."""
    values = raw if isinstance(raw, dict) else parse_object(raw)
    try:
        return model.model_validate(values)
    except ValidationError as error:
        raise InvalidInputError(
            [_problem(model, e) for e in error.errors(include_url=False)]
        ) from None


def parse_object(raw: bytes | str) -> dict[str, Any]:
    """Return the JSON object in ``raw``.

    Raises
    ------
    InvalidInputError
        Not UTF-8, not JSON, nested too deeply, not an object, or a name twice in one object.
    """
    try:
        text = raw.decode("utf-8-sig") if isinstance(raw, bytes) else raw.removeprefix("\ufeff")
        value = _READER.decode(text)
    except UnicodeDecodeError as error:
        _refuse(f"byte {error.start + 1} is not UTF-8; the text must be UTF-8")
    except json.JSONDecodeError as error:
        what = error.msg.removesuffix(" starting at")
        _refuse(f"not JSON: {what} at line {error.lineno} column {error.colno}")
    except RecursionError:
        _refuse("nested too deeply")
    if not isinstance(value, dict):
        _refuse("expected a JSON object: {...}")
    return value


def _refuse(detail: str) -> NoReturn:
    raise InvalidInputError.at("", detail) from None


def _int(digits: str) -> int | float:
    # No field needs more; longer ones cost time and overflow. As a float, the
    # range check of the field itself refuses it and names the field.
    return int(digits) if len(digits) <= 18 else float(digits)


def _each_name_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) != len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise InvalidInputError.at(_pointer((name,)), "is given twice in one object")
            seen.add(name)
    if not "".join(values).isprintable():
        # Half a surrogate pair is in no field's name, and the document library could
        # not report the name as it stands.
        return {_utf8(name): value for name, value in values.items()}
    return values


_READER = json.JSONDecoder(object_pairs_hook=_each_name_once, parse_int=_int)


def _problem(model: type[Document], error: ErrorDetails) -> Problem:
    kind, location = error["type"], error["loc"]
    if kind.startswith("at:"):
        return Problem(_pointer(location) + kind.removeprefix("at:"), error["msg"])
    pointer = _pointer(location)
    if kind == "extra_forbidden":
        return Problem(pointer, _unknown_field(model, location))
    return Problem(pointer, plain_words(error) or error["msg"])


def plain_words(error: ErrorDetails, words: Mapping[str, str] = PLAIN_WORDS) -> str | None:
    """Return what would be right, in this project's words; None for an error without any."""
    if error["type"] == "value_error":  # raised by this project's own field types
        return error["msg"].removeprefix("Value error, ")
    said = words.get(error["type"])
    return None if said is None else said.format(**error.get("ctx", {}))


def _unknown_field(model: type[BaseModel], location: tuple[int | str, ...]) -> str:
    known = sorted(_model_at(model, location[:-1]).model_fields)
    close = difflib.get_close_matches(str(location[-1]), known, n=1)
    hint = f"did you mean {close[0]}?" if close else f"known here: {', '.join(known)}"
    return f"unknown field; {hint}"


def _model_at(model: type[BaseModel], location: tuple[int | str, ...]) -> type[BaseModel]:
    for step in location:
        if isinstance(step, str):
            model = _model_in(model.model_fields[step].annotation) or model
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the document type inside ``X | None`` or ``list[X]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        found = _model_in(argument)
        if found is not None:
            return found
    return None


def _pointer(location: tuple[int | str, ...]) -> str:
    """Return an RFC 6901 pointer; what no UTF-8 text can hold is escaped."""
    steps = (str(step).replace("~", "~0").replace("/", "~1") for step in location)
    return _utf8("".join("/" + step for step in steps))


def _utf8(text: str) -> str:
    """Return ``text`` with what no UTF-8 can hold escaped."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
