from __future__ import annotations

import gzip

from starlette.requests import Request

from api.pages.pictures import picture

SVG = "<svg xmlns='http://www.w3.org/2000/svg'>" + "<path d='M0,0L1,1'/>" * 500 + "</svg>"


def asking(encoding: str | None) -> Request:
    headers = [] if encoding is None else [(b"accept-encoding", encoding.encode())]
    return Request({"type": "http", "method": "GET", "path": "/", "headers": headers})


def test_a_browser_that_reads_gzip_gets_it() -> None:
    answer = picture(asking("gzip, deflate, br"), SVG)
    assert answer.headers["content-encoding"] == "gzip"
    assert answer.headers["content-type"] == "image/svg+xml"
    assert gzip.decompress(answer.body).decode() == SVG
    assert len(answer.body) < len(SVG) / 10


def test_others_get_it_as_it_is() -> None:
    for encoding in (None, "br"):
        answer = picture(asking(encoding), SVG)
        assert "content-encoding" not in answer.headers
        assert bytes(answer.body).decode() == SVG
        assert answer.headers["vary"] == "Accept-Encoding"
