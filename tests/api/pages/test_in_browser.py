"""The pages in a real browser: what a person sees and does, and what axe-core finds (nothing)."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.api.pages.test_action_list import FLEET, HOSTILE, publish_verdicts, verdict

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

pytestmark = pytest.mark.skipif(
    not CHROMIUM.exists() and os.environ.get("FLEETDB_BROWSER_TESTS") != "required",
    reason="no Chromium here (apt-get install chromium)",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield launched
        launched.close()


@pytest.fixture
def open_page(browser: Browser, api: Any) -> Iterator[Callable[..., Page]]:
    """Open a page of a size and colour scheme; whatever its console says against it fails."""
    contexts = []
    complaints: list[str] = []

    def make(size: str = "desk", scheme: Any = "light") -> Page:
        width, height = SIZES[size]
        context = browser.new_context(
            base_url=api.url,
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


def test_a_manager_signs_in_and_finds_the_worst_vehicle_and_why(
    api: Any, open_page: Callable[..., Page]
) -> None:
    publish_verdicts(api, *FLEET)
    page = open_page()
    sign_in(page, api.token("manager"))
    first = page.get_by_role("table", name="Vehicles, most urgent first").get_by_role("row").nth(1)
    assert "V-3" in first.inner_text() and "stand down" in first.inner_text()
    first.get_by_text("more about V-3").click()
    assert first.get_by_text("second of V-3").is_visible()
    page.get_by_label("Depot").select_option("Harbour Road")
    page.get_by_role("button", name="Show").click()
    assert "1 vehicle." in page.get_by_role("status").inner_text()
    with page.expect_download() as download:
        page.get_by_role("link", name="Download as CSV").click()
    assert download.value.suggested_filename.startswith("action-list-")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    page.goto("/")
    assert page.get_by_label("Access token").is_visible()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_any_page(
    api: Any, open_page: Callable[..., Page], size: str, scheme: str
) -> None:
    page = open_page(size, scheme)
    page.goto("/sign-in")
    assert_accessible(page)
    page.get_by_label("Access token").fill("flt_wrong")
    page.get_by_role("button", name="Sign in").click()
    assert page.get_by_role("alert").is_visible()
    assert_accessible(page)
    sign_in(page, api.token("manager"))
    assert_accessible(page)  # a fleet without verdicts
    publish_verdicts(api, *FLEET)
    for path in ("/", "/?vehicle=nobody", "/?state=asleep", "/nowhere"):
        page.goto(path)
        assert_accessible(page)


def test_hostile_names_are_shown_and_not_run(api: Any, open_page: Callable[..., Page]) -> None:
    publish_verdicts(api, verdict(HOSTILE, "stand_down", 0.9, depot=HOSTILE, reasons=HOSTILE))
    page = open_page()
    page.on("dialog", lambda dialog: pytest.fail(f"a script ran: {dialog.message}"))
    sign_in(page, api.token("manager"))
    assert page.locator(".number").inner_text() == HOSTILE
    assert page.locator("img").count() == 0


def test_a_keyboard_alone_reaches_the_content_and_the_list(
    api: Any, open_page: Callable[..., Page]
) -> None:
    publish_verdicts(api, *FLEET)
    page = open_page()
    sign_in(page, api.token("manager"))
    page.keyboard.press("Tab")
    assert page.locator(":focus").inner_text() == "Skip to the content"
    page.keyboard.press("Enter")
    page.locator("#vehicle").focus()
    page.keyboard.type("v-31")
    page.keyboard.press("Enter")
    page.wait_for_url("**vehicle=v-31**")
    assert page.locator(".number").all_inner_texts() == ["v-31"]
