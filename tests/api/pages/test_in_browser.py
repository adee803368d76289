"""The pages in a real browser: what a person sees and does, and what axe-core finds (nothing)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.api.pages.browsing import SIZES, assert_accessible, sign_in
from tests.api.pages.test_action_list import FLEET, HOSTILE, publish_verdicts, verdict


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
