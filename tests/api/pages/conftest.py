"""A browser's side of the pages: cookies kept, forms sent with their key."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html import unescape
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, Page

from tests.api.pages.browsing import launched, opening


@dataclass
class Visitor:
    """A client that keeps cookies, and fills in forms as a browser would."""

    client: httpx.Client

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.client.get(path, **options)

    def form_key(self, path: str) -> str:
        found = re.search(r'name="form_key" value="([0-9a-f]{64})"', self.get(path).text)
        assert found, path
        return found[1]

    def send(self, page: str, action: str, **fields: str) -> httpx.Response:
        return self.client.post(action, data={"form_key": self.form_key(page), **fields})

    def sign_in(self, token: str, **fields: str) -> httpx.Response:
        return self.send("/sign-in", "/sign-in", token=token, **fields)


MakeVisitor = Callable[..., Visitor]


def text_of(answer: httpx.Response) -> str:
    """The page's text as people read it, blanks squeezed."""
    assert answer.headers["content-type"].startswith("text/html"), answer.text
    body = re.sub(r"<[^>]+>", " ", answer.text)
    return re.sub(r"\s+", " ", unescape(body)).strip()


@pytest.fixture
def visitor(api: Any) -> Callable[..., Visitor]:
    """Make a visitor, signed in with a token of ``role`` if one is given."""

    def make(role: str | None = None, **options: Any) -> Visitor:
        made = Visitor(api.client())
        if role is not None:
            assert made.sign_in(api.token(role, **options)).status_code == 303
        return made

    return make


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with launched() as browser:
        yield browser


@pytest.fixture
def open_page(browser: Browser, api: Any) -> Iterator[Callable[..., Page]]:
    """Open a page of a size and colour scheme; see ``browsing.opening``."""
    with opening(browser, api.url) as make:
        yield make
