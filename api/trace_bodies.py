"""Reading the body of a trace: which media types, gzip or not, how many bytes, how fast."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Annotated

from anyio.lowlevel import checkpoint
from fastapi import Depends, Request

from api.errors import BodyTooLargeError, MediaTypeError
from fleetdb.errors import InvalidInputError
from fleetdb.store.sent_traces import LARGEST_TRACE_BYTES
from fleetdb.trace.reading import ARROW_FILE, ARROW_STREAM, JSON, MEDIA_TYPES, PARQUET

BINARY_MEDIA_TYPES = (PARQUET, ARROW_STREAM, ARROW_FILE)

_HINT = "send it as Parquet, which is far smaller, or split the recording"
_GZIP_WINDOW = 31  # zlib's way of saying: gzip's header, largest window
_INFLATED_AT_ONCE = 1 << 20


@dataclass(frozen=True, slots=True)
class TraceBody:
    """The bytes of a trace, without their content coding, and what they are."""

    content: bytes
    media_type: str


async def read_trace_body(request: Request) -> TraceBody:
    """Return the body, at most ``LARGEST_TRACE_BYTES`` long both as sent and unpacked.

    A body without a type is read as JSON, as on the other routes.
    """
    media_type = request.headers.get("content-type", JSON).split(";")[0].strip().lower()
    if media_type not in MEDIA_TYPES:
        raise MediaTypeError(
            f"the body is {media_type}; a trace is one of {', '.join(MEDIA_TYPES)}"
        )
    coding = request.headers.get("content-encoding", "identity").strip().lower()
    if coding not in ("identity", "gzip"):
        raise MediaTypeError(f"the body is coded as {coding}; send it with gzip or uncoded")
    declared = request.headers.get("content-length", "0")
    if declared.isdecimal() and int(declared) > LARGEST_TRACE_BYTES:
        raise BodyTooLargeError(LARGEST_TRACE_BYTES, _HINT)
    content = bytearray()
    inflater = _Inflater() if coding == "gzip" else None
    n_sent = 0
    async for chunk in request.stream():
        n_sent += len(chunk)
        if inflater is None:
            content += chunk
        else:
            inflater.feed(chunk)
            while piece := inflater.piece():
                content += piece
                if len(content) > LARGEST_TRACE_BYTES:
                    raise BodyTooLargeError(LARGEST_TRACE_BYTES, _HINT)
                # A small body may unpack to a large one: let other requests have their turn.
                await checkpoint()
        if max(n_sent, len(content)) > LARGEST_TRACE_BYTES:
            raise BodyTooLargeError(LARGEST_TRACE_BYTES, _HINT)
    if inflater is not None:
        inflater.finish()
    return TraceBody(bytes(content), media_type)


class _Inflater:
    """Unpacks gzip, member after member, never more than ``_INFLATED_AT_ONCE`` at a time."""

    def __init__(self) -> None:
        self._stream = zlib.decompressobj(_GZIP_WINDOW)
        self._waiting = b""
        self._is_full = False

    def feed(self, chunk: bytes) -> None:
        self._waiting += chunk

    def piece(self) -> bytes:
        """Return the next bytes, none when more must be fed first."""
        while self._waiting or self._is_full:
            if self._stream.eof:
                self._stream = zlib.decompressobj(_GZIP_WINDOW)
            try:
                piece = self._stream.decompress(self._waiting, _INFLATED_AT_ONCE)
            except zlib.error:
                raise InvalidInputError.at(
                    "", "the body is not gzip, although Content-Encoding says so"
                ) from None
            self._waiting = self._stream.unconsumed_tail or self._stream.unused_data
            # With all input taken in, a full piece may have left some output behind.
            self._is_full = len(piece) == _INFLATED_AT_ONCE and not self._stream.eof
            if piece:
                return piece
        return b""

    def finish(self) -> None:
        """Refuse a body that was cut short."""
        if not self._stream.eof:
            raise InvalidInputError.at("", "the gzip body ends before it is complete")


TraceBodyDep = Annotated[TraceBody, Depends(read_trace_body)]
