"""Answering a POST once: the Idempotency-Key header, as its IETF draft has it."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import Depends, Header, Request
from fastapi.responses import JSONResponse, Response

from api.calls import Call
from api.errors import ParameterError
from fleetdb.store import idempotency
from fleetdb.store.idempotency import KeptAnswer, KeyedRequest

# RFC 8941 section 3.3.3: printable ASCII in quotes, with \" and \\ escaped.
_QUOTED = re.compile(r'"((?:[ !#-\[\]-~]|\\["\\])*)"')
_BARE = re.compile(r"[!#-~][!-~]*")
_KEY_LIMIT = 255


@dataclass(frozen=True, slots=True)
class Answer:
    """What a route answers. ``kept`` replaces ``content`` where an answer is kept for retries."""

    status: int
    content: dict[str, Any]
    headers: dict[str, str] = field(default_factory=dict)
    kept: dict[str, Any] | None = None

    def response(self) -> Response:
        return JSONResponse(self.content, self.status, self.headers)


def parse_key(text: str) -> str:
    """Return the key in an Idempotency-Key header, quoted (as the draft has it) or bare.

    Raises
    ------
    ParameterError
        It is empty, too long, or not a structured-field string.
    """
    if text.startswith('"'):
        match = _QUOTED.fullmatch(text)
        key = re.sub(r"\\(.)", r"\1", match[1]) if match else ""
    else:
        key = text if _BARE.fullmatch(text) else ""
    if not 1 <= len(key) <= _KEY_LIMIT:
        raise ParameterError(
            "Idempotency-Key", f'expected 1 to {_KEY_LIMIT} printable characters, as in "8e03978e"'
        )
    return key


@dataclass(frozen=True, slots=True)
class Once:
    """The request as far as a retry of it must be the same: method, address and body.

    Headers are not among them: the draft's fingerprint is one of the payload, and its
    retry gets the result of the first request. So a retry that asks by ``Prefer`` for
    another form of the answer gets the first form, and ``Preference-Applied`` says which.
    """

    method: str
    address: str
    key: str | None

    def answer(self, call: Call, body: bytes, work: Callable[[], Answer]) -> Response:
        """Do ``work`` and answer with it; a retry under the same key gets the kept answer."""
        if self.key is None:
            return work().response()
        digest = hashlib.sha256(f"{self.method} {self.address}\n".encode() + body).hexdigest()
        request = KeyedRequest(call.fleet_id, call.caller.token_id, self.key, digest)
        with call.store.write() as session:
            kept = idempotency.begin(session, request, datetime.now(UTC))
        if kept is not None:
            return _replay(kept)
        try:
            answer = work()
        except BaseException:
            with call.store.write() as session:
                idempotency.let_go(session, request)
            raise
        content = answer.content if answer.kept is None else answer.kept
        text = json.dumps({"headers": answer.headers, "content": content})
        with call.store.write() as session:
            idempotency.finish(session, request, KeptAnswer(answer.status, text))
        return answer.response()


def _replay(kept: KeptAnswer) -> Response:
    parts = json.loads(kept.body)
    return Answer(kept.status, parts["content"], parts["headers"]).response()


def once_of(
    request: Request,
    idempotency_key: Annotated[
        str | None,
        Header(
            description="A key of the sender's choice, in double quotes: the same request under "
            "the same key is carried out once, and answered the same for 24 hours.",
            examples=['"8e03978e-40d5-43dd-bc93-6894a57f9324"'],
        ),
    ] = None,
) -> Once:
    """Return what makes this request the same as its retry."""
    key = None if idempotency_key is None else parse_key(idempotency_key)
    return Once(request.method, f"{request.url.path}?{request.url.query}", key)


OnceDep = Annotated[Once, Depends(once_of)]
