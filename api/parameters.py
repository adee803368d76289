"""Query parameters that a route does not know: refused, not ignored.

A misspelt filter that were ignored would answer with everything, and look right.
"""

from __future__ import annotations

from collections import Counter

from fastapi import Request

from api.errors import ParameterError


async def require_known_parameters(request: Request) -> None:
    """Let only query parameters through that the route's OpenAPI entry names.

    Raises
    ------
    ParameterError
        One is not known to the route, or is given more often than the route reads it.
    """
    if not request.query_params:
        return
    described = request.app.openapi()["paths"][request.scope["route"].path]
    known = {
        parameter["name"]: parameter["schema"]
        for parameter in described[request.method.lower()].get("parameters", ())
        if parameter["in"] == "query"
    }
    for name, times in Counter(n for n, _ in request.query_params.multi_items()).items():
        if name not in known:
            allowed = ", ".join(sorted(known)) or "none"
            raise ParameterError(name, f"is no parameter here; allowed: {allowed}")
        if times > 1 and known[name].get("type") != "array":
            raise ParameterError(name, f"is given {times} times; it is read once")
