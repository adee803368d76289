"""HEAD, OPTIONS and the Allow header, worked out from the routes there are."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter
from fastapi.routing import APIRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send

NO_ROUTE = "none"


class RouteTable:
    """Which methods each address takes."""

    def __init__(self, routers: Sequence[APIRouter]) -> None:
        self._routes = [r for router in routers for r in router.routes if isinstance(r, APIRoute)]

    def methods_at(self, path: str) -> list[str]:
        """Return the methods that ``path`` takes, HEAD and OPTIONS among them; none if no route."""
        methods = {
            m for route in self._routes if route.path_regex.match(path) for m in route.methods or ()
        }
        if not methods:
            return []
        return sorted(methods | {"OPTIONS"} | ({"HEAD"} if "GET" in methods else set()))

    def template_of(self, method: str, path: str) -> str:
        """Return the template of the route that answers, such as /v1/vehicles/{vehicle}."""
        for route in self._routes:
            if route.path_regex.match(path) and method in (route.methods or ()):
                return route.path
        return NO_ROUTE


class MethodsMiddleware:
    """Answers HEAD as GET without the body, OPTIONS from the table, and completes Allow."""

    def __init__(self, app: ASGIApp, table: RouteTable) -> None:
        self.app = app
        self.table = table

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        allowed = self.table.methods_at(scope["path"])
        method = scope["method"]
        if method == "OPTIONS" and allowed:
            headers = [(b"allow", ", ".join(allowed).encode())]
            await send({"type": "http.response.start", "status": 204, "headers": headers})
            await send({"type": "http.response.body", "body": b""})
            return

        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 405 and allowed:
                # A path has one route per method, and the router names only the first.
                others = [h for h in message["headers"] if h[0].lower() != b"allow"]
                allow = (b"allow", ", ".join(allowed).encode())
                message = {**message, "headers": [*others, allow]}
            if message["type"] == "http.response.body" and method == "HEAD":
                message = {**message, "body": b""}
            await send(message)

        if method == "HEAD" and "HEAD" in allowed:
            scope = {**scope, "method": "GET"}
        await self.app(scope, receive, send_on)
