"""What every answer gets: headers that keep it private, and a count in the metrics."""

from __future__ import annotations

import time

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.methods import RouteTable
from api.metrics import Metrics

PRIVATE_HEADERS = {
    b"x-content-type-options": b"nosniff",
    # Answers hold a fleet's data, and tokens: no cache between here and the caller keeps them.
    b"cache-control": b"no-store",
    b"referrer-policy": b"no-referrer",
    b"content-security-policy": b"default-src 'none'; frame-ancestors 'none'",
}
# A sender may invent methods; each would be a counter of its own.
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


class EnvelopeMiddleware:
    """Adds the private headers where a route has not set its own, and counts the answer."""

    def __init__(self, app: ASGIApp, table: RouteTable, metrics: Metrics) -> None:
        self.app = app
        self.table = table
        self.metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.perf_counter()
        route = self.table.template_of(scope["method"].replace("HEAD", "GET"), scope["path"])
        status = 500

        async def send_on(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                given = {name.lower() for name, _ in message["headers"]}
                extra = [(n, v) for n, v in PRIVATE_HEADERS.items() if n not in given]
                message = {**message, "headers": [*message["headers"], *extra]}
            await send(message)

        try:
            await self.app(scope, receive, send_on)
        finally:
            method = scope["method"] if scope["method"] in _METHODS else "other"
            self.metrics.count_request(method, route, status, time.perf_counter() - began)
