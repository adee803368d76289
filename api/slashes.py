"""Slashes inside a name in an address: /v1/vehicles/12%2F3 is one name, not two steps.

A server hands on the address decoded, which makes such a slash look like any other.
"""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import unquote

from pydantic import BeforeValidator
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from fleetdb.records.fields import Name

# Of the private use area, which no name has a reason to use.
_STAND_IN = "\ue02f"
_ENCODED = re.compile("%2f", re.IGNORECASE)

PathName = Annotated[Name, BeforeValidator(lambda text: text.replace(_STAND_IN, "/"))]


def path_as_sent(request: Request) -> str:
    """Return the path of a request's address as its sender wrote it, still encoded."""
    raw_path: bytes | None = request.scope.get("raw_path")
    return request.url.path if raw_path is None else raw_path.decode("ascii", "replace")


class SlashesMiddleware:
    """Keeps encoded slashes apart from real ones until ``PathName`` puts them back."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        raw_path = scope.get("raw_path") or b""
        if scope["type"] == "http" and b"%2f" in raw_path.lower():
            path = unquote(_ENCODED.sub(_STAND_IN, raw_path.decode("ascii", "replace")))
            scope = {**scope, "path": path}
        await self.app(scope, receive, send)
