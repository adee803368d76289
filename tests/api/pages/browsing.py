"""A real browser on the pages: Chromium of the system, and axe-core out of a wheel."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SIZES = {"desk": (1280, 900), "phone": (390, 844)}


@contextmanager
def launched() -> Iterator[Browser]:
    """Give a browser; without Chromium the test is skipped, unless that is required."""
    if not CHROMIUM.exists() and os.environ.get("FLEETDB_BROWSER_TESTS") != "required":
        pytest.skip("no Chromium here (apt-get install chromium)")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@contextmanager
def opening(browser: Browser, address: str) -> Iterator[Callable[..., Page]]:
    """Open pages of a size and colour scheme; whatever their console says against them fails."""
    contexts = []
    complaints: list[str] = []

    def make(size: str = "desk", scheme: Any = "light") -> Page:
        width, height = SIZES[size]
        context = browser.new_context(
            base_url=address,
            viewport={"width": width, "height": height},
            color_scheme=scheme,
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console",
            lambda message: (
                complaints.append(message.text) if "Content Security" in message.text else None
            ),
        )
        return page

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def sign_in(page: Page, token: str) -> None:
    page.goto("/")
    page.get_by_label("Access token").fill(token)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/")


def assert_accessible(page: Page) -> None:
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "wider than it"


def assert_pictures_drawn(page: Page) -> None:
    """Every picture of the page came and could be drawn."""
    decoded = "image => image.decode().then(() => true, () => false)"
    drawn = page.evaluate(f"Promise.all([...document.images].map({decoded}))")
    assert drawn and all(drawn)
