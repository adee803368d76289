"""Forms that carry a file, or the table that was read from one: larger than others, and bounded."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from starlette.datastructures import UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser

from api.errors import BodyTooLargeError, MediaTypeError
from api.pages.visits import read_fields
from fleetdb.errors import InvalidInputError
from fleetdb.records.sheets import MOST_BYTES

_ROOM_FOR_FIELDS_BYTES = 64 * 1024
# A table of 5 MiB of text, compressed and written in letters, is seldom a quarter of it.
_MOST_CARRIED_BYTES = 8 * 1024 * 1024
_SPLIT = "split the file"


@dataclass(frozen=True, slots=True)
class FileForm:
    """A form with one file."""

    fields: dict[str, str]
    name: str
    content: bytes


async def read_file_form(request: Request) -> FileForm:
    """Return the fields and the file of a form; nothing of it is left behind.

    Raises
    ------
    MediaTypeError, InvalidInputError
        It is no multipart form, or has no file.
    BodyTooLargeError
        It is longer than a file may be.
    """
    if not request.headers.get("content-type", "").startswith("multipart/form-data"):
        raise MediaTypeError("a file is sent as multipart/form-data")
    limit = MOST_BYTES + _ROOM_FOR_FIELDS_BYTES
    parser = MultiPartParser(request.headers, _bounded(request, limit), max_files=1, max_fields=20)
    try:
        form = await parser.parse()
    except MultiPartException as error:
        raise InvalidInputError.at("", f"the form cannot be read: {error.message}") from None
    try:
        file = form.get("file")
        if not isinstance(file, UploadFile) or not file.filename:
            raise InvalidInputError.at("/file", "choose a file first")
        fields = {name: value for name, value in form.items() if isinstance(value, str)}
        return FileForm(fields, file.filename, await file.read())
    finally:
        await form.close()


async def _bounded(request: Request, limit: int) -> AsyncGenerator[bytes]:
    n_bytes = 0
    async for chunk in request.stream():
        n_bytes += len(chunk)
        if n_bytes > limit:
            raise BodyTooLargeError(limit, _SPLIT)
        yield chunk


async def _carried(request: Request) -> dict[str, str]:
    return await read_fields(request, _MOST_CARRIED_BYTES, _SPLIT)


SentFile = Annotated[FileForm, Depends(read_file_form)]
CarriedFields = Annotated[dict[str, str], Depends(_carried)]
