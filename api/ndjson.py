"""Newline-delimited JSON in and out at the same time, in bounded memory."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import anyio
from anyio import to_thread
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from api.bodies import NDJSON

LINE_LIMIT_BYTES = 1 << 20
_SPOOL_IN_MEMORY_BYTES = 1 << 20
_SEND_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a body: its number from 1, and its bytes (None: longer than the limit)."""

    number: int
    content: bytes | None


class LineSplitter:
    """Cuts a stream of chunks into lines. Blank lines are counted and left out."""

    def __init__(self, limit_bytes: int = LINE_LIMIT_BYTES) -> None:
        self._limit = limit_bytes
        self._number = 0
        self._rest = bytearray()
        self._too_long = False

    def feed(self, chunk: bytes) -> list[Line]:
        """Return the lines that ``chunk`` completes."""
        lines = []
        *complete, rest = chunk.split(b"\n")
        for piece in complete:
            self._add(piece)
            lines += self._take()
        self._add(rest)
        return lines

    def finish(self) -> list[Line]:
        """Return the last line, when the body does not end with a line feed."""
        return self._take()

    def _add(self, piece: bytes) -> None:
        if len(self._rest) + len(piece) > self._limit:
            self._too_long = True
            self._rest.clear()
        if not self._too_long:
            self._rest += piece

    def _take(self) -> list[Line]:
        self._number += 1
        content = None if self._too_long else bytes(self._rest)
        self._rest.clear()
        self._too_long = False
        if content is not None and not content.strip():
            return []
        return [Line(self._number, content)]


class NdjsonExchange(Response):
    """Reads lines and answers them, in order, while more are still coming.

    Reading never waits for the sender to read its answers, for many clients send
    everything first: answers not yet taken wait in a temporary file.
    ``answer_lines`` runs in a thread, gets the lines of one chunk, returns one
    answer per line, and must not raise.
    """

    media_type = NDJSON

    def __init__(self, answer_lines: Callable[[list[Line]], list[dict[str, Any]]]) -> None:
        super().__init__()
        self._answer_lines = answer_lines
        del self.headers["content-length"]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        with tempfile.SpooledTemporaryFile(_SPOOL_IN_MEMORY_BYTES) as spool:
            exchange = _Exchange(spool, self._answer_lines)
            async with anyio.create_task_group() as tasks:
                tasks.start_soon(exchange.read, receive)
                await send(
                    {
                        "type": "http.response.start",
                        "status": self.status_code,
                        "headers": self.raw_headers,
                    }
                )
                await exchange.send(send)


class _Exchange:
    def __init__(
        self,
        spool: tempfile.SpooledTemporaryFile[bytes],
        answer_lines: Callable[[list[Line]], list[dict[str, Any]]],
    ) -> None:
        self._spool = spool
        self._answer_lines = answer_lines
        self._written = 0
        self._complete = False
        self._more = anyio.Event()

    async def read(self, receive: Receive) -> None:
        splitter = LineSplitter()
        more_body = True
        while more_body:
            message = await receive()
            if message["type"] == "http.disconnect":
                # The line being sent may be cut short: it was never acknowledged.
                break
            more_body = message.get("more_body", False)
            lines = splitter.feed(message.get("body", b""))
            if not more_body:
                lines += splitter.finish()
            if lines:
                self._put(await to_thread.run_sync(self._answer_lines, lines))
        self._complete = True
        self._more.set()

    def _put(self, answers: list[dict[str, Any]]) -> None:
        text = "".join(json.dumps(answer) + "\n" for answer in answers).encode()
        self._spool.seek(self._written)
        self._spool.write(text)
        self._written += len(text)
        self._more.set()

    async def send(self, send: Send) -> None:
        sent = 0
        while not (self._complete and sent == self._written):
            if sent == self._written:
                await self._more.wait()
                self._more = anyio.Event()
                continue
            self._spool.seek(sent)
            piece = self._spool.read(_SEND_BYTES)
            sent += len(piece)
            await send({"type": "http.response.body", "body": piece, "more_body": True})
        await send({"type": "http.response.body", "body": b"", "more_body": False})
