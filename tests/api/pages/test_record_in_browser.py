"""A technician's journeys with a phone: the connection breaks, and the test is stored once."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect
from sqlalchemy import select

from api.examples import DOCUMENTS
from fleetdb.records.documents import Kind
from fleetdb.store.tables import TestRecordRow
from tests.api.pages.browsing import SIZES, assert_accessible
from tests.api.pages.test_record_test import HOSTILE, document, stored
from tests.api.pages.test_upload import BAD, GOOD, HEADER
from tests.fleetdb.records.test_sheets import workbook

FORM = "/record?vehicle=V-0107"


def sign_in(page: Page, token: str) -> None:
    page.goto("/")
    page.get_by_label("Access token").fill(token)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/workshop")


@pytest.fixture
def phone(fleet_api: Any, open_page: Callable[..., Page]) -> Page:
    """A technician's phone, signed in."""
    page = open_page("phone")
    sign_in(page, fleet_api.token("workshop", workshop_name="North"))
    return page


def type_test(page: Page, actual: str = "650") -> None:
    page.goto(FORM)
    page.get_by_label("Pressure reached").fill(actual)
    page.get_by_label("Technician").fill("t-4")


def send(page: Page) -> None:
    page.get_by_role("button", name="Send the test").click()


def drafts(page: Page) -> list[dict[str, Any]]:
    kept = page.evaluate(
        "Object.entries(localStorage).filter(([k]) => k.startsWith('fleetdb-test:'))"
    )
    return [json.loads(text) for _, text in kept]


def wait_for_receipt(page: Page) -> None:
    page.wait_for_url(re.compile("/record/[0-9a-f-]{36}$"), timeout=90_000)
    expect(page.get_by_text("Stored: the test of V-0107")).to_be_visible()


def test_a_vehicle_is_found_a_test_typed_and_its_receipt_read(fleet_api: Any, phone: Page) -> None:
    phone.get_by_role("link", name="Record a test").first.click()
    phone.get_by_label("Which vehicle?").fill("0107")
    phone.get_by_role("button", name="Find").click()
    phone.get_by_role("link", name="V-0107").click()
    expect(phone.get_by_text("700 bar = 70 MPa = 10,153 psi")).to_be_visible()
    phone.get_by_label("Pressure", exact=True).select_option("psi")
    phone.get_by_label("Pressure reached psi").fill("9427,5")
    phone.get_by_label("Technician").fill("t-4")
    # Said while typing, by the rules of the API.
    expect(phone.locator("#actual-told")).to_have_text("= 650.0032 bar")
    phone.get_by_label("Crank speed").fill("60")
    phone.get_by_label("Note").fill("cold")
    expect(phone.locator("#crank_rpm-told")).to_contain_text("far below the reference")
    assert stored(fleet_api) == []
    send(phone)
    wait_for_receipt(phone)
    expect(phone.get_by_text("9427,5 psi")).to_be_visible()
    assert drafts(phone) == []
    (record_id,) = stored(fleet_api)
    assert abs(datetime.now(UTC) - performed_at(fleet_api)) < timedelta(minutes=10)
    # The units stay as they were chosen.
    phone.goto(FORM)
    expect(phone.get_by_label("Pressure", exact=True)).to_have_value("psi")
    assert str(record_id) in phone.locator(".facts a").get_attribute("href")


def performed_at(api: Any) -> datetime:
    with api.store.read() as session:
        return session.scalars(select(TestRecordRow.performed_at)).one()


def test_without_a_connection_a_test_is_kept_and_goes_out_by_itself(
    fleet_api: Any, phone: Page
) -> None:
    type_test(phone)
    phone.context.set_offline(True)
    send(phone)
    # Told where the technician looks: beside the button just pressed.
    expect(phone.get_by_text("No connection to the server")).to_be_in_viewport()
    assert stored(fleet_api) == [] and len(drafts(phone)) == 1
    assert_accessible(phone)
    phone.context.set_offline(False)
    wait_for_receipt(phone)
    assert len(stored(fleet_api)) == 1 and drafts(phone) == []


def test_a_browser_that_keeps_nothing_says_so_and_still_sends(fleet_api: Any, phone: Page) -> None:
    phone.add_init_script("Storage.prototype.setItem = () => { throw new Error('full') }")
    type_test(phone)
    phone.context.set_offline(True)
    send(phone)
    expect(phone.get_by_text("This browser keeps nothing: leave this page open")).to_be_visible()
    phone.context.set_offline(False)
    wait_for_receipt(phone)
    assert len(stored(fleet_api)) == 1


def test_an_answer_lost_after_storing_leaves_one_record(fleet_api: Any, phone: Page) -> None:
    type_test(phone)
    lost: list[int] = []

    def lose_first_answer(route: Route) -> None:
        if "intent" in (route.request.post_data or "") or lost:
            route.continue_()
            return
        lost.append(route.fetch(timeout=90_000).status)
        route.abort("connectionreset")

    phone.route("**/record", lose_first_answer)
    send(phone)
    expect(phone.get_by_text("No connection to the server")).to_be_visible(timeout=90_000)
    assert lost == [201] and len(stored(fleet_api)) == 1
    phone.get_by_role("button", name="Try now").click()
    phone.wait_for_url(re.compile("/record/"))
    expect(phone.get_by_text("Stored before, once")).to_be_visible()
    assert len(stored(fleet_api)) == 1 and drafts(phone) == []


def test_a_page_that_is_not_ours_does_not_count_as_an_answer(fleet_api: Any, phone: Page) -> None:
    type_test(phone)
    phone.route(
        "**/record", lambda route: route.fulfill(body="<h1>Welcome to the guest network</h1>")
    )
    send(phone)
    expect(phone.get_by_text("No connection to the server")).to_be_visible()
    assert len(drafts(phone)) == 1
    phone.unroute("**/record")
    phone.get_by_role("button", name="Try now").click()
    wait_for_receipt(phone)


def test_what_was_typed_survives_closing_the_page(fleet_api: Any, phone: Page) -> None:
    type_test(phone, "655")
    phone.get_by_label("Performed at").fill("2025-07-01T08:30")
    phone.get_by_label("On a clock that is").select_option("+02:00")
    phone.goto("/workshop")
    expect(phone.get_by_text("Kept in this browser, not sent yet")).to_be_visible()
    assert_accessible(phone)
    phone.get_by_role("link", name="Go on with it").click()
    expect(phone.get_by_label("Pressure reached")).to_have_value("655")
    expect(phone.get_by_label("Performed at")).to_have_value("2025-07-01T08:30")
    send(phone)
    wait_for_receipt(phone)
    assert performed_at(fleet_api) == datetime(2025, 7, 1, 6, 30, tzinfo=UTC)


def test_a_test_waiting_when_the_page_was_closed_goes_out_from_the_first_page(
    fleet_api: Any, phone: Page
) -> None:
    type_test(phone)
    phone.route("**/record", lambda route: route.abort())
    send(phone)
    expect(phone.get_by_text("No connection to the server")).to_be_visible()
    phone.unroute("**/record")
    phone.goto("/workshop")
    expect(phone.get_by_text("V-0107: stored now")).to_be_visible(timeout=90_000)
    assert len(stored(fleet_api)) == 1 and drafts(phone) == []


def test_signed_out_in_between_nothing_typed_is_lost(fleet_api: Any, phone: Page) -> None:
    type_test(phone)
    phone.context.clear_cookies()
    send(phone)
    expect(phone.get_by_text("you are signed out")).to_be_visible()
    phone.get_by_role("link", name="Sign in and go on with it").click()
    phone.get_by_label("Access token").fill(fleet_api.token("workshop", workshop_name="North"))
    phone.get_by_role("button", name="Sign in").click()
    expect(phone.get_by_label("Technician")).to_have_value("t-4")
    send(phone)
    wait_for_receipt(phone)
    assert len(stored(fleet_api)) == 1


def test_another_workshops_drafts_stay_out_of_sight(fleet_api: Any, phone: Page) -> None:
    type_test(phone)
    phone.context.clear_cookies()
    sign_in(phone, fleet_api.token("workshop", workshop_name="South"))
    assert len(drafts(phone)) == 1
    assert not phone.get_by_text("Kept in this browser, not sent yet").is_visible()


def test_changed_after_it_was_stored_it_is_sent_as_a_correction(
    fleet_api: Any, phone: Page
) -> None:
    type_test(phone)
    lost: list[int] = []

    def lose_answer(route: Route) -> None:
        lost.append(route.fetch(timeout=90_000).status)
        route.abort("connectionreset")

    phone.route("**/record", lose_answer)
    send(phone)
    expect(phone.get_by_text("No connection to the server")).to_be_visible(timeout=90_000)
    phone.unroute("**/record")
    phone.get_by_role("button", name="Stop, and change something").click()
    phone.get_by_label("Pressure reached").fill("605")
    send(phone)
    expect(phone.get_by_text("arrived before, with other contents")).to_be_visible()
    assert_accessible(phone)
    (old,) = stored(fleet_api)
    send(phone)
    wait_for_receipt(phone)
    new = document(fleet_api, stored(fleet_api)[1])
    assert (new["supersedes"], new["proof"]["actual_bar"]) == (str(old), 605)
    assert drafts(phone) == []


def test_refusals_are_told_at_the_fields_and_mended_in_place(fleet_api: Any, phone: Page) -> None:
    type_test(phone, "9427")
    send(phone)
    expect(phone.get_by_text("Nothing is stored yet")).to_be_visible()
    expect(phone.locator("#actual-told")).to_contain_text("was this psi?")
    expect(phone.get_by_label("Pressure reached")).to_have_attribute("aria-invalid", "true")
    assert_accessible(phone)
    phone.get_by_role("link", name="Pressure reached").click()
    phone.get_by_label("Pressure reached").fill("650")
    send(phone)
    wait_for_receipt(phone)


def test_a_summer_day_gets_the_summer_offset(
    fleet_api: Any, open_page: Callable[..., Page], browser: Any
) -> None:
    context = browser.new_context(base_url=fleet_api.url, timezone_id="Europe/Oslo")
    page = context.new_page()
    sign_in(page, fleet_api.token("workshop", workshop_name="North"))
    page.goto(FORM)
    for day, offset in (("2025-07-01T08:30", "+02:00"), ("2025-01-07T08:30", "+01:00")):
        page.get_by_label("Performed at").fill(day)
        page.get_by_label("Performed at").dispatch_event("change")
        expect(page.get_by_label("On a clock that is")).to_have_value(offset)
    context.close()


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("phone", "dark"), ("desk", "light")]
)
def test_a_spreadsheet_with_three_bad_rows_is_loaded_and_its_report_read(
    fleet_api: Any, open_page: Callable[..., Page], tmp_path: Path, size: str, scheme: str
) -> None:
    page = open_page(size, scheme)
    sign_in(page, fleet_api.token("workshop", workshop_name="North"))
    page.get_by_role("link", name="Upload a file").click()
    assert_accessible(page)
    path = tmp_path / "tests of march.xlsx"
    path.write_bytes(workbook(HEADER, *GOOD, *BAD))
    page.get_by_label("CSV or spreadsheet").set_input_files(path)
    page.get_by_role("button", name="Read it").click()
    expect(page.get_by_text("tests of march.xlsx")).to_be_visible()
    expect(page.get_by_label("Rail pressure (psi) is written in")).to_have_value("psi")
    expect(page.get_by_label("Times are by the clocks of")).not_to_have_value("")
    assert_accessible(page)
    page.get_by_label("Gauge holds").select_option("Note")
    page.get_by_role("button", name="Read the first rows like this").click()
    expect(page.get_by_text("Note K-3").first).to_be_visible()
    page.get_by_label("Gauge holds").select_option("Kit")
    page.get_by_role("button", name="Load all 5 rows").click()
    expect(page.get_by_text("2 stored now")).to_be_visible()
    expect(page.get_by_text("3 refused, of which nothing is stored")).to_be_visible()
    assert_accessible(page)
    refused = page.get_by_role("row").filter(has_text="refused")
    for number, words in (("4", "no vehicle"), ("5", "is no date"), ("6", "rail limit")):
        expect(refused.filter(has_text=f"row {number}")).to_contain_text(words)
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the refused rows").click()
    assert Path(download.value.path()).read_text("utf-8-sig").count("V-0107") == 2
    assert len(stored(fleet_api)) == 2
    # A reload sends the same again, and so stores nothing.
    page.reload()
    expect(page.get_by_text("2 already there")).to_be_visible()
    assert len(stored(fleet_api)) == 2


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_the_form_and_its_receipt(
    fleet_api: Any, open_page: Callable[..., Page], size: str, scheme: str
) -> None:
    page = open_page(size, scheme)
    sign_in(page, fleet_api.token("workshop", workshop_name="North"))
    assert_accessible(page)
    for path in ("/record", "/record?find=V-0", "/record?find=nothing", FORM):
        page.goto(path)
        assert_accessible(page)
    targets = page.locator("main input:visible, main select:visible, main button:visible")
    heights = targets.evaluate_all("all => all.map(one => one.getBoundingClientRect().height)")
    assert heights and min(heights) >= 44
    page.get_by_label("Pressure reached").fill("650")
    page.get_by_role("button", name="Only check it").click()
    expect(page.get_by_text("It is not sent yet")).to_be_visible()
    assert_accessible(page)
    send(page)
    wait_for_receipt(page)
    assert_accessible(page)
    page.goto("/workshop")
    assert_accessible(page)


def test_hostile_texts_are_shown_and_not_run(fleet_api: Any, phone: Page) -> None:
    phone.on("dialog", lambda dialog: pytest.fail(f"a script ran: {dialog.message}"))
    fleet_api.manager.post("/v1/vehicles", json={**DOCUMENTS[Kind.VEHICLES], "vehicle": HOSTILE})
    phone.goto("/record?find=script")
    phone.get_by_role("link", name=HOSTILE).click()
    phone.get_by_label("Pressure reached").fill("650")
    phone.get_by_label("Name of a new kit").fill(HOSTILE)
    phone.get_by_label("Note").fill(HOSTILE)
    phone.goto("/workshop")
    expect(phone.locator("#drafts")).to_contain_text(HOSTILE)
    phone.get_by_role("link", name="Go on with it").click()
    send(phone)
    phone.wait_for_url(re.compile("/record/"), timeout=90_000)
    assert phone.locator("main img").count() == 0
    expect(phone.locator("main")).to_contain_text(HOSTILE)
