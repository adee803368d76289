"""What a browser carries from one step of a form to the next, so that the server keeps nothing."""

from __future__ import annotations

import base64
import binascii
import zlib
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from fleetdb.errors import InvalidInputError

M = TypeVar("M", bound=BaseModel)

_MOST_BYTES = 32 * 1024 * 1024


def pack(value: BaseModel) -> str:
    """Return a value as text for a hidden field."""
    return base64.urlsafe_b64encode(zlib.compress(value.model_dump_json().encode())).decode("ascii")


def unpack(model: type[M], text: str) -> M:
    """Return what ``pack`` was given.

    Raises
    ------
    InvalidInputError
        It is not what ``pack`` gives of this model, or unreasonably long.
    """
    try:
        unpacker = zlib.decompressobj()
        content = unpacker.decompress(base64.urlsafe_b64decode(text), _MOST_BYTES)
        if unpacker.eof:
            return model.model_validate_json(content)
    except (ValidationError, ValueError, binascii.Error, zlib.error):
        pass
    raise InvalidInputError.at("", "the form is damaged: choose the file again")
