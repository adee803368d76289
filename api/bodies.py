"""Reading request bodies: their media type, their size, their bytes."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request

from api.errors import BodyTooLargeError, MediaTypeError

BODY_LIMIT_BYTES = 1 << 20
NDJSON = "application/x-ndjson"
_NDJSON_NAMES = frozenset({NDJSON, "application/ndjson", "application/jsonl"})


def _require_media_type(request: Request, accepted: frozenset[str], say: str) -> None:
    given = request.headers.get("content-type", "")
    name = given.split(";")[0].strip().lower()
    # A body without a type is read as what the route takes: small devices leave it out.
    if name and name not in accepted:
        raise MediaTypeError(f"the body is {name}; send it with Content-Type: {say}")
    coding = request.headers.get("content-encoding", "identity").lower()
    if coding != "identity":
        raise MediaTypeError(f"the body is coded as {coding}; send it without Content-Encoding")


async def read_json_body(request: Request) -> bytes:
    """Return the body of a JSON request, at most ``BODY_LIMIT_BYTES`` long."""
    _require_media_type(request, frozenset({"application/json"}), "application/json")
    declared = request.headers.get("content-length", "0")
    if declared.isdecimal() and int(declared) > BODY_LIMIT_BYTES:
        raise BodyTooLargeError(BODY_LIMIT_BYTES)
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > BODY_LIMIT_BYTES:
            raise BodyTooLargeError(BODY_LIMIT_BYTES)
    return bytes(body)


def require_ndjson(request: Request) -> None:
    """Refuse a batch that is not newline-delimited JSON."""
    _require_media_type(request, _NDJSON_NAMES, NDJSON)


JsonBody = Annotated[bytes, Depends(read_json_body)]
