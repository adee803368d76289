"""The style sheet, the scripts and the mark of the pages."""

from __future__ import annotations

from fastapi.responses import Response

from api.pages.rendering import STATIC
from api.pages.routing import page_router
from fleetdb.errors import NotFoundError

router = page_router()

_TYPES = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}


@router.get("/static/{name}")
def get_static(name: str) -> Response:
    """Give a static file. Its address changes with its contents, so it may be kept for good."""
    if name not in STATIC:
        raise NotFoundError("file", name)
    headers = {"Cache-Control": "public, max-age=31536000, immutable"}
    return Response(STATIC[name], media_type=_TYPES[name.rsplit(".", 1)[1]], headers=headers)
