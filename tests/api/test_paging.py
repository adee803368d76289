"""Cursors: they lead on, and nobody else's work."""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest
from starlette.requests import Request

from api.errors import ParameterError
from api.paging import Paging, paging_of


def paging(query: str = "", cursor: str | None = None) -> Paging:
    scope = {"type": "http", "path": "/v1/kits", "query_string": query.encode(), "headers": []}
    request = Request({**scope, "server": ("test", 80), "scheme": "http", "method": "GET"})
    return paging_of(request, 2, cursor)


def cursor_after(key: list[Any], query: str = "") -> str:
    page = paging(query).answer([1, 2, 3], lambda row: {"row": row}, lambda row: key)
    return json.loads(bytes(page.body))["next_cursor"]


def test_a_full_page_leads_on_and_the_last_does_not() -> None:
    page = paging().answer([1, 2, 3], lambda row: {"row": row}, lambda row: [row])
    body = json.loads(bytes(page.body))
    assert body["items"] == [{"row": 1}, {"row": 2}]
    assert paging(cursor=body["next_cursor"]).after_row() == 2
    assert page.headers["Link"].startswith("</v1/kits?limit=2&cursor=")
    last = paging().answer([1, 2], lambda row: {"row": row}, lambda row: [row])
    assert json.loads(bytes(last.body))["next_cursor"] is None
    assert "Link" not in last.headers


def test_a_cursor_belongs_to_its_filters_in_any_order() -> None:
    cursor = cursor_after([1], "a=1&b=2")
    assert paging("b=2&a=1&limit=9", cursor).after_row() == 1
    with pytest.raises(ParameterError, match="other filters"):
        paging("a=1", cursor)


@pytest.mark.parametrize("key", [[], ["1"], [-1], [2**63], [1.5], [None], [[1]]])
def test_a_forged_row_is_refused(key: list[Any]) -> None:
    with pytest.raises(ParameterError):
        paging(cursor=cursor_after(key)).after_row()


@pytest.mark.parametrize("key", [[], [1], ["a\0"], ["\ud800"]])
def test_a_forged_name_is_refused(key: list[Any]) -> None:
    with pytest.raises(ParameterError):
        paging(cursor=cursor_after(key)).after_text()


@pytest.mark.parametrize(
    "key",
    [
        ["s", None, 1, "v"],
        ["s", None, "1", "v"],
        [None, None, 1.0, "v"],
        ["s", 1.0, "v"],
        ["s"],
        ["s", "today", 1.0, "v"],
        ["s", "9999-12-31T00:00:00Z", 1.0, "v"],
    ],
)
def test_a_forged_verdict_key_is_refused(key: list[Any]) -> None:
    with pytest.raises(ParameterError):
        paging(cursor=cursor_after(key)).after_verdict()


@pytest.mark.parametrize(
    "cursor", ["", "%", "é", "a", base64.urlsafe_b64encode(b"[" * 5000).decode()]
)
def test_what_is_no_cursor_is_refused(cursor: str) -> None:
    with pytest.raises(ParameterError):
        paging(cursor=cursor)
