from __future__ import annotations

import gzip

import pytest
from fastapi.responses import Response
from starlette.requests import Request

from api.pages.pictures import picture

SVG = "<svg xmlns='http://www.w3.org/2000/svg'>" + "<path d='M0,0L1,1'/>" * 500 + "</svg>"


class Pen:
    """Draws, and counts how often."""

    def __init__(self) -> None:
        self.drawn = 0

    def draw(self) -> str:
        self.drawn += 1
        return SVG


@pytest.fixture
def pen() -> Pen:
    return Pen()


def asking(encoding: str | None, **more: str) -> Request:
    named = {"accept-encoding": encoding, "if-none-match": more.get("has")}
    headers = [(name.encode(), value.encode()) for name, value in named.items() if value]
    return Request({"type": "http", "method": "GET", "path": "/", "headers": headers})


def answer_to(pen: Pen, request: Request, *drawn_from: object) -> Response:
    return picture(request, (id(pen), *drawn_from), pen.draw)


def test_a_browser_that_reads_gzip_gets_it(pen: Pen) -> None:
    answer = answer_to(pen, asking("gzip, deflate, br"))
    assert answer.headers["content-encoding"] == "gzip"
    assert answer.headers["content-type"] == "image/svg+xml"
    assert gzip.decompress(answer.body).decode() == SVG
    assert len(answer.body) < len(SVG) / 10


def test_others_get_it_as_it_is(pen: Pen) -> None:
    for encoding in (None, "br"):
        answer = answer_to(pen, asking(encoding))
        assert "content-encoding" not in answer.headers
        assert bytes(answer.body).decode() == SVG
        assert answer.headers["vary"] == "Accept-Encoding"


def test_the_same_data_is_drawn_once_and_other_data_anew(pen: Pen) -> None:
    for _ in range(3):
        answer_to(pen, asking("gzip"), [0.91, 0.92])
    assert pen.drawn == 1
    answer_to(pen, asking("gzip"), [0.91, 0.93])
    assert pen.drawn == 2


def test_a_browser_that_has_the_picture_of_this_data_is_told_so(pen: Pen) -> None:
    first = answer_to(pen, asking("gzip"), [0.91])
    again = answer_to(pen, asking("gzip", has=first.headers["etag"]), [0.91])
    assert (again.status_code, again.body) == (304, b"")
    assert again.headers["etag"] == first.headers["etag"]
    # What it has is not shown once the data differ.
    other = answer_to(pen, asking("gzip", has=first.headers["etag"]), [0.90])
    assert other.status_code == 200
    assert other.headers["etag"] != first.headers["etag"]


def test_no_cache_but_the_browsers_own_keeps_it_and_that_asks_each_time(pen: Pen) -> None:
    assert answer_to(pen, asking("gzip")).headers["cache-control"] == "private, no-cache"


def test_only_so_many_pictures_are_kept(pen: Pen) -> None:
    for n in range(201):
        answer_to(pen, asking("gzip"), n)
    answer_to(pen, asking("gzip"), 0)
    assert pen.drawn == 202
    answer_to(pen, asking("gzip"), 200)
    assert pen.drawn == 202
