"""Field types shared by the documents: strict numbers, clean text, times with offset."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, date, datetime
from typing import Annotated, Any
from uuid import UUID

from pydantic import AfterValidator, BeforeValidator, Field, Strict, StringConstraints

from fleetdb.timestamps import parse_rfc3339

# `date.fromisoformat` and `UUID` also read week dates, braces and stray hyphens.
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII | re.IGNORECASE)


def _no_control_characters(text: str) -> str:
    if text.isprintable():
        return text
    for character in text:
        # Cc: control (PostgreSQL text cannot hold NUL); Cs: half of a surrogate pair.
        if unicodedata.category(character) in ("Cc", "Cs") and character not in "\n\t":
            raise ValueError(f"contains the unprintable character U+{ord(character):04X}")
    return text


def _one_line(text: str) -> str:
    if text != text.strip():
        raise ValueError("begins or ends with a blank")
    if "\n" in text or "\t" in text:
        raise ValueError("must be one line without tabs")
    return text


def _time(value: Any) -> Any:
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError("has no UTC offset")
        return value.astimezone(UTC)
    if not isinstance(value, str):
        raise ValueError(
            "expected an RFC 3339 time with offset in quotes, such as 2026-03-01T08:30:00+01:00"
        )
    return parse_rfc3339(value)


def _date(value: Any) -> Any:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not _DATE.fullmatch(value):
        raise ValueError("expected a date in quotes, such as 2026-03-01")
    try:
        return date.fromisoformat(value)
    except ValueError as error:
        raise ValueError(f"{error}; expected a date such as 2026-03-01") from None


def _whole_number(value: Any) -> Any:
    # JSON has one number type: some writers put 4 as 4.0.
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _uuid(value: Any) -> Any:
    if isinstance(value, UUID):
        return value
    if not isinstance(value, str) or not _UUID.fullmatch(value):
        raise ValueError("expected a UUID in quotes, such as 018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f")
    return UUID(value)


Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
WholeNumber = Annotated[int, Strict(), BeforeValidator(_whole_number, json_schema_input_type=int)]
Flag = Annotated[bool, Strict()]
Name = Annotated[
    str,
    Strict(),
    StringConstraints(min_length=1, max_length=80),
    AfterValidator(_no_control_characters),
    AfterValidator(_one_line),
]
Text = Annotated[
    str,
    Strict(),
    StringConstraints(min_length=1, max_length=2000),
    AfterValidator(_no_control_characters),
]
Time = Annotated[datetime, BeforeValidator(_time, json_schema_input_type=str)]
Date = Annotated[date, BeforeValidator(_date, json_schema_input_type=str)]
Uuid = Annotated[UUID, BeforeValidator(_uuid, json_schema_input_type=str)]
