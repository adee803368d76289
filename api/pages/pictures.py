"""Pictures that pages show: SVG documents at addresses of their own."""

from __future__ import annotations

from fastapi.responses import Response


def picture(svg: str) -> Response:
    """Answer with a drawn picture. Nothing in it runs or is loaded from anywhere."""
    return Response(svg, media_type="image/svg+xml")
