"""What is wrong with a parameter and what would be right, in this project's words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, cast

from pydantic_core import ErrorDetails

from fleetdb.records.parsing import PLAIN_WORDS, plain_words

_UUID = "expected a UUID, such as 018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f"
# Parameters are text without quotes, and are read more leniently than documents.
_WORDS = {
    **PLAIN_WORDS,
    "int_parsing": "expected a whole number, such as 100",
    "int_parsing_size": "expected a whole number, such as 100",
    "int_from_float": "expected a whole number, such as 100",
    "bool_parsing": "expected true or false",
    "uuid_parsing": _UUID,
    "uuid_type": _UUID,
    "literal_error": "must be one of {expected}",
}


def parameter_problems(errors: Iterable[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Return one entry per error: the name of the parameter, and what would be right.

    ``errors`` are those of a ``RequestValidationError``, whose ``loc`` begins with where
    the parameter was (query, path, header) and its name.
    """
    return [
        {
            "parameter": str(error["loc"][1]),
            "detail": plain_words(cast(ErrorDetails, error), _WORDS) or "cannot be used here",
        }
        for error in errors
    ]
