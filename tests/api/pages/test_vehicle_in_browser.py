"""A vehicle's page in a real browser: from the list to why, a finding recorded, and on paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from fleetdb.store.fleets import resolve_fleet
from fleetdb.trend.refresh import refresh
from tests.api.pages.browsing import SIZES, assert_accessible, assert_pictures_drawn, sign_in
from tests.api.pages.test_vehicle import HOSTILE
from tests.api.pages.worn_vehicle import RATIOS, post_worn_vehicle

OpenPage = Callable[..., Page]


def publish(api: Any) -> None:
    """Publish the verdicts on what was posted, as the server does by itself."""
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    assert refresh(api.store, fleet_id, api.settings.home, force=True) is not None


def test_a_manager_finds_the_worst_vehicle_reads_why_and_records_a_finding(
    api: Any, open_page: OpenPage
) -> None:
    post_worn_vehicle(api)
    post_worn_vehicle(api, "V-2", tests=4)
    publish(api)
    page = open_page()
    sign_in(page, api.token("manager"))
    page.get_by_role("table", name="Vehicles, most urgent first").get_by_role("link").first.click()
    page.wait_for_url("**/vehicles/V-9")
    why = page.locator(".why").inner_text()
    assert "could reach about" in why and "limit 0.80" in why
    assert_pictures_drawn(page)
    botched = page.get_by_role("row").filter(has_text="○ set aside")
    botched.get_by_text("how").first.click()
    assert botched.get_by_text("is set aside:").first.is_visible()

    page.get_by_role("link", name="Record what was found").click()
    page.get_by_label("Part").select_option("pump")
    page.get_by_label("What was found").select_option("worn confirmed")
    page.get_by_label("Found at").fill("2026-05-04T10:30")
    page.get_by_label("Odometer", exact=True).fill("98 thousand")
    page.get_by_role("button", name="Store it").click()
    assert "1 field needs another look" in page.get_by_role("alert").inner_text()
    assert "is no number" in page.locator("#odometer_km-told").inner_text()
    assert_accessible(page)
    page.get_by_label("Odometer", exact=True).fill("98500")
    page.get_by_role("button", name="Store it").click()
    page.wait_for_url("**/vehicles/V-9?stored=finding")
    assert "What was found is stored" in page.get_by_role("status").inner_text()
    events = page.get_by_role("table", name="Fitments and findings, oldest first")
    assert "pump: worn confirmed" in events.get_by_role("row").last.inner_text()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_a_vehicles_pages(
    api: Any, open_page: OpenPage, size: str, scheme: str
) -> None:
    post_worn_vehicle(api, note=HOSTILE)
    page = open_page(size, scheme)
    page.on("dialog", lambda dialog: pytest.fail(f"a script ran: {dialog.message}"))
    sign_in(page, api.token("manager"))
    page.goto("/vehicles/V-9")
    page.evaluate("document.querySelectorAll('details').forEach(each => (each.open = true))")
    assert page.locator("details[open]").count() > len(RATIOS)
    assert_accessible(page)
    assert_pictures_drawn(page)
    assert page.locator("img").count() == 1
    page.get_by_role("link", name=re.compile("Withdraw this test")).first.click()
    assert_accessible(page)
    for path in ("?over=km", "/findings/new", "/fitments/new"):
        page.goto(f"/vehicles/V-9{path}")
        assert_accessible(page)
    page.goto("/vehicles")
    assert_accessible(page)


def test_a_unit_chosen_in_one_form_is_that_of_the_next_until_another_is(
    api: Any, open_page: OpenPage
) -> None:
    post_worn_vehicle(api)
    page = open_page()
    sign_in(page, api.token("manager"))
    for form, before, chosen in (
        ("/vehicles/V-9/findings/new", "km", "miles"),
        ("/vehicles/V-9/fitments/new", "miles", "miles"),
        ("/record?vehicle=V-9", "miles", "km"),
        ("/vehicles/V-9/findings/new", "km", "km"),
    ):
        page.goto(form)
        unit = page.locator("#distance_unit")
        assert unit.input_value() == before, form
        unit.select_option(chosen)

    # What was refused comes back as it was typed, whatever was chosen elsewhere since.
    page.get_by_label("Found at").fill("2026-05-04T10:30")
    page.get_by_label("Part").select_option("pump")
    page.get_by_label("What was found").select_option("worn confirmed")
    page.get_by_label("Odometer", exact=True).fill("98 thousand")
    page.evaluate("localStorage.setItem('fleetdb-units', '{\"distance_unit\": \"miles\"}')")
    page.get_by_role("button", name="Store it").click()
    page.get_by_role("alert").wait_for()
    assert page.locator("#distance_unit").input_value() == "km"


def test_the_page_prints_on_one_sheet(api: Any, open_page: OpenPage) -> None:
    post_worn_vehicle(api)
    page = open_page()
    sign_in(page, api.token("manager"))
    page.goto("/vehicles/V-9")
    page.wait_for_load_state("networkidle")
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    [box] = set(re.findall(rb"/MediaBox\s*\[([^\]]*)\]", printed))
    width, height = (float(number) for number in box.split()[2:])
    assert (round(width), round(height)) == (595, 842)  # A4 in points of 1/72 inch
    page.emulate_media(media="print")
    assert page.get_by_role("button", name="Sign out").is_hidden()
    assert page.locator("figure img").is_visible()
    assert "never declares a vehicle safe" in page.locator(".caution").inner_text()


def test_a_keyboard_alone_records_a_fitment(api: Any, open_page: OpenPage) -> None:
    post_worn_vehicle(api, tests=3)
    page = open_page()
    sign_in(page, api.token("manager"))
    page.goto("/vehicles/V-9/fitments/new")
    page.get_by_label("Part").focus()
    page.keyboard.type("pump")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.type("P-2")
    page.get_by_label("Fitted at").fill("2026-05-04T10:30")
    page.get_by_label("Why it was fitted").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/vehicles/V-9?stored=fitment")
    assert "P-2" in page.locator(".summary").inner_text()


def test_a_time_is_by_the_browsers_clock_until_another_is_said(api: Any, browser: Browser) -> None:
    post_worn_vehicle(api, tests=3)
    context = browser.new_context(base_url=api.url, timezone_id="Europe/Oslo")
    page = context.new_page()
    sign_in(page, api.token("manager"))
    page.goto("/vehicles/V-9/findings/new")
    page.get_by_label("Found at").fill("2026-01-04T10:30")
    page.get_by_label("Found at").press("Tab")
    assert page.get_by_label("On a clock that is").input_value() == "+01:00"
    page.get_by_label("Found at").fill("2026-05-04T10:30")
    page.get_by_label("Found at").press("Tab")
    assert page.get_by_label("On a clock that is").input_value() == "+02:00"
    page.get_by_label("Part").select_option("pump")
    page.get_by_label("What was found").select_option("worn confirmed")
    page.get_by_role("button", name="Store it").click()
    page.wait_for_url("**/vehicles/V-9?stored=finding")
    [stored] = api.manager.get("/v1/findings?part=pump").json()["items"]
    assert stored["document"]["found_at"] == "2026-05-04T08:30:00Z"
    context.close()
