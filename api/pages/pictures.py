"""Pictures that pages show: SVG documents at addresses of their own."""

from __future__ import annotations

import gzip
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from importlib.metadata import version
from typing import Literal

from fastapi import Request
from fastapi.responses import Response

PictureSize = Literal["wide", "narrow"]
"""For a screen and for a phone."""

# Some 10 kB each, compressed.
_KEPT_PICTURES = 200


class _Drawn:
    """The last pictures of this process, compressed, by the digest of what they are drawn from."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, bytes] = OrderedDict()

    def picture(self, digest: str, draw: Callable[[], str]) -> bytes:
        with self._lock:
            if digest in self._kept:
                self._kept.move_to_end(digest)
                return self._kept[digest]
        packed = gzip.compress(draw().encode(), 6)
        with self._lock:
            self._kept[digest] = packed
            while len(self._kept) > _KEPT_PICTURES:
                self._kept.popitem(last=False)
        return packed


_drawn = _Drawn()


def picture(request: Request, drawn_from: object, draw: Callable[[], str]) -> Response:
    """Answer with the picture that ``draw`` makes of ``drawn_from``: an SVG document.

    The representation of ``drawn_from`` must tell all that the picture shows and which picture
    it is. Drawing takes a second, so a browser that has the picture of the same data is told to
    show that one, and this process keeps the last it drew. A browser asks each time, with its
    session: nothing is shown after a new record that was drawn before it.

    It goes compressed, a tenth of its size, to browsers that read that. Pages do not: they hold
    the key of their forms, and what compresses well beside what a visitor sent tells of it.
    """
    told = f"{version('fleetdb')} {drawn_from!r}"
    digest = hashlib.sha256(told.encode()).hexdigest()
    headers = {
        "Cache-Control": "private, no-cache",
        "ETag": f'W/"{digest}"',
        "Vary": "Accept-Encoding",
    }
    if digest in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    packed = _drawn.picture(digest, draw)
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return Response(gzip.decompress(packed), media_type="image/svg+xml", headers=headers)
    headers["Content-Encoding"] = "gzip"
    return Response(packed, media_type="image/svg+xml", headers=headers)
