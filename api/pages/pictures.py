"""Pictures that pages show: SVG documents at addresses of their own."""

from __future__ import annotations

import gzip

from fastapi import Request
from fastapi.responses import Response


def picture(request: Request, svg: str) -> Response:
    """Answer with a drawn picture. Nothing in it runs or is loaded from anywhere.

    It goes compressed, a tenth of its size, to browsers that read that. Pages do not: they hold
    the key of their forms, and what compresses well beside what a visitor sent tells of it.
    """
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return Response(svg, media_type="image/svg+xml", headers={"Vary": "Accept-Encoding"})
    headers = {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
    return Response(gzip.compress(svg.encode(), 6), media_type="image/svg+xml", headers=headers)
