"""A vehicle's page and its picture, for managers and workshops."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree

import pytest

from api.examples import DOCUMENTS
from fleetdb.cautions import VERDICT_CAUTION, WORKING_CAUTIONS
from fleetdb.records.documents import Kind
from fleetdb.report.vehicle_account import MOST_TESTS
from fleetdb.store.fleets import resolve_fleet
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.pipeline import assess
from fleetdb.warehouse.mirror import sync
from fleetdb.warehouse.snapshot import publish
from fleetdb.warehouse.views import open_mirror
from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.selects import counting_selects
from tests.api.pages.worn_vehicle import (
    BOTCHED,
    RATIOS,
    post_family,
    post_worn_vehicle,
    record_id,
    record_of,
)

MakeVisitor = Callable[..., Visitor]
HOSTILE = "</textarea><script>alert(1)</script>\"'><img src=x>"


def signed_in(api: Any, role: str = "manager", **options: Any) -> Visitor:
    made = Visitor(api.client())
    assert made.sign_in(api.token(role, **options)).status_code == 303
    return made


def test_the_page_tells_what_programs_are_told(any_api: Any) -> None:
    post_worn_vehicle(any_api)
    verdict = any_api.manager.get("/v1/vehicles/V-9/verdict").json()["verdict"]
    told = text_of(signed_in(any_api).get("/vehicles/V-9"))

    assert verdict["state"] in ("book_in", "stand_down")
    assert f"Vehicle V-9 {'■' if verdict['state'] == 'stand_down' else '▲'}" in told
    for reason in verdict["reasons"].split("; "):
        assert reason in told
    assert verdict["advice"] in told
    assert f"{100 * verdict['probability_worn']:.0f} %" in told
    assert f"Delivery reserve {verdict['delivery_reserve']:.2f}" in told
    assert re.search(r"Next planned test \d{4}-\d{2}-\d{2}", told)
    for words in (VERDICT_CAUTION, *WORKING_CAUTIONS, "Quarry Lane", "ridge-16", "94,000 km"):
        assert words in told


def test_every_test_is_told_raw_and_corrected_with_how(api: Any, visitor: MakeVisitor) -> None:
    post_worn_vehicle(api)
    answer = visitor("manager").get("/vehicles/V-9")
    told = text_of(answer)

    assert f"{len(RATIOS)} tests, the latest first" in told
    for ratio in RATIOS:
        assert f"{round(700 * ratio) / 700:.3f} measured" in told
    assert "fuel at 26 °C (reference 30 °C)" in told
    assert "fuel temperature not noted, the usual one taken" in told
    assert "cranked at 190 rpm (reference 180 rpm)" in told
    assert "no kit named, so nothing is known of its error" in told
    assert "at reference conditions with a true kit" in told
    assert "Even chances of the limit most likely by now" in told
    rows = answer.text.split('<table class="list tests"')[1].split("<tr")
    botched = rows[2 + len(RATIOS) - 1 - BOTCHED]
    assert "0.550" in botched and "○ set aside" in botched and "likely to be botched" in botched


def test_what_was_fitted_and_found_and_past_months_are_told(api: Any, visitor: MakeVisitor) -> None:
    post_worn_vehicle(api)
    told = text_of(visitor("manager").get("/vehicles/V-9"))

    assert "A 2024-09-11 – fuel filter fitted" in told
    assert re.search(r"B \d{4}-\d{2}-\d{2} – injector: worn confirmed cylinder 2", told)
    past = told.split("Verdicts at past month ends")[1].split("Tests")[0]
    assert "● sound" in past and ("▲ book in" in past or "■ stand down" in past)


def test_the_navigation_marks_the_page_or_its_section(api: Any, visitor: MakeVisitor) -> None:
    post_worn_vehicle(api)
    own = visitor("manager")

    def marked(path: str) -> list[tuple[str, str]]:
        links = r'<li><a href="([^"]+)" aria-current="([a-z]+)">'
        return re.findall(links, own.get(path).text)

    assert marked("/vehicles") == [("/vehicles", "page")]
    assert marked("/vehicles/V-9") == [("/vehicles", "true")]
    assert marked("/vehicles/V-9/fitments/new") == [("/vehicles", "true")]
    assert marked("/record/file") == [("/record", "true")]


def test_a_workshop_sees_vehicles_it_tested_and_its_own_tests_only(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=3)
    post_worn_vehicle(any_api, "V-10", tests=1)
    workshop = signed_in(any_api, "workshop", workshop_name="North")
    assert workshop.get("/vehicles/V-9").status_code == 404
    own = {**record_of("V-9", 3), "workshop": "North"}
    assert any_api.manager.post("/v1/test-records", json=own).status_code == 201

    told = text_of(workshop.get("/vehicles/V-9"))
    assert "1 test, the latest first" in told
    assert "Tests of other workshops are not shown." in told
    assert "fuel filter" not in told.split("Fitted and found")[1].split("Verdicts at past")[0]
    picture = workshop.get("/vehicles/V-9/tests.svg")
    assert "1 proof ratios" in picture.text
    for path in ("/vehicles/V-10", "/vehicles/V-10/tests.svg", "/vehicles/V-10/findings/new"):
        assert workshop.get(path).status_code == 404
    refused = workshop.get(f"/vehicles/V-9/withdraw/test-records/{record_id('V-9', 3)}")
    assert refused.status_code == 403


@pytest.mark.parametrize("path", ["", "/tests.svg", "/fitments/new", "/findings/new"])
def test_an_unknown_vehicle_is_told_so(fleet_api: Any, path: str) -> None:
    answer = signed_in(fleet_api).get(f"/vehicles/nobody{path}")
    assert answer.status_code == 404
    assert "'nobody' in this fleet" in text_of(answer)


def test_another_fleets_vehicle_is_unknown(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=1)
    any_api.add_fleet("north")
    other = signed_in(any_api, fleets=["north"])
    for path in ("", "/tests.svg", f"/withdraw/test-records/{record_id('V-9', 0)}"):
        assert other.get(f"/vehicles/V-9{path}").status_code == 404


def test_without_tests_the_page_says_so(fleet_api: Any) -> None:
    manager = signed_in(fleet_api)
    told = text_of(manager.get("/vehicles/V-0107"))
    assert "No test of this vehicle yet." in told
    assert "unproven" in told
    assert "<picture>" not in manager.get("/vehicles/V-0107").text
    assert manager.get("/vehicles/V-0107/tests.svg").status_code == 404


def test_a_withdrawn_test_is_shown_and_not_used(any_api: Any) -> None:
    post_worn_vehicle(any_api)
    manager = signed_in(any_api)
    address = f"/vehicles/V-9/withdraw/test-records/{record_id('V-9', 2)}"
    assert "performed at" in text_of(manager.get(address))
    nothing = manager.send(address, address, reason="")
    assert nothing.status_code == 422
    assert "a reason is needed" in text_of(nothing)

    sent = manager.send(address, address, reason="taken on another vehicle")
    assert (sent.status_code, sent.headers["location"]) == (303, "/vehicles/V-9?stored=withdrawn")
    told = text_of(manager.get(sent.headers["location"]))
    assert "✓ It is withdrawn" in told
    assert "Withdrawn: taken on another vehicle" in told
    assert "11 proof ratios" in manager.get("/vehicles/V-9/tests.svg").text
    other = manager.client.post(
        address, data={"form_key": manager.form_key("/"), "reason": "another reason"}
    )
    assert other.status_code == 409
    assert "voided before: taken on another vehicle" in text_of(other)


def test_only_what_is_the_vehicles_own_can_be_withdrawn_there(api: Any) -> None:
    post_worn_vehicle(api, tests=1)
    post_worn_vehicle(api, "V-10", tests=1)
    manager = signed_in(api)
    address = f"/vehicles/V-10/withdraw/test-records/{record_id('V-9', 0)}"
    assert manager.get(address).status_code == 404
    sent = manager.client.post(address, data={"form_key": manager.form_key("/"), "reason": "x"})
    assert sent.status_code == 404
    assert "Withdrawn" not in text_of(manager.get("/vehicles/V-9"))


def test_the_number_of_queries_does_not_grow_with_the_tests(api: Any) -> None:
    post_worn_vehicle(api, "V-1", tests=1)
    post_worn_vehicle(api, "V-12", tests=12)
    manager = signed_in(api)
    counts = []
    for vehicle in ("V-1", "V-12"):
        with counting_selects() as statements:
            assert manager.get(f"/vehicles/{vehicle}").status_code == 200
        counts.append(len(statements))
    assert counts[0] == counts[1] <= 30


def test_a_page_with_its_picture_is_light(api: Any) -> None:
    post_worn_vehicle(api, "V-1", tests=1)
    post_worn_vehicle(api, "V-12", tests=12)
    manager = signed_in(api)
    one, twelve = (
        len(manager.get(f"/vehicles/{vehicle}").content)
        + manager.get(f"/vehicles/{vehicle}/tests.svg").num_bytes_downloaded
        for vehicle in ("V-1", "V-12")
    )
    picture = manager.get("/vehicles/V-12/tests.svg")
    assert picture.headers["content-encoding"] == "gzip"
    # As many tests as a page tells of, had they been posted.
    assert one + (twelve - one) / 11 * (MOST_TESTS - 1) < 300_000


def test_hostile_names_and_notes_are_text(api: Any) -> None:
    name = "a/b <b>&\"'"
    post_worn_vehicle(api, name, tests=4, note=HOSTILE, kit=HOSTILE[:70])
    manager = signed_in(api)
    answer = manager.get("/vehicles", params={"vehicle": name})
    assert answer.status_code == 303
    page = manager.get(answer.headers["location"])
    assert page.status_code == 200
    assert "<script>alert" not in page.text and "<img src=x" not in page.text
    assert "&lt;script&gt;alert(1)" in page.text
    source = re.search(r'<img src="([^"]+/tests.svg[^"]*)"', page.text)
    assert source
    picture = manager.get(source[1].replace("&amp;", "&"))
    assert picture.status_code == 200
    ElementTree.fromstring(picture.text)  # well formed, so nothing broke out
    assert "<script" not in picture.text


def test_a_picture_is_kept_until_the_next_record(api: Any) -> None:
    post_worn_vehicle(api, "V-9", tests=11)
    manager = signed_in(api)
    first = manager.get("/vehicles/V-9/tests.svg")
    has = {"If-None-Match": first.headers["etag"]}
    assert manager.get("/vehicles/V-9/tests.svg", headers=has).status_code == 304
    assert api.manager.post("/v1/test-records", json=record_of("V-9", 11)).status_code == 201
    after = manager.get("/vehicles/V-9/tests.svg", headers=has)
    assert after.status_code == 200
    assert "12 proof ratios" in after.text


@pytest.mark.parametrize(
    ("query", "drawn"),
    [("", "2025"), ("x=date", "2025"), ("x=km", "odometer [km]"), ("size=narrow", "2025")],
)
def test_the_picture_is_drawn_over_dates_or_distance(
    api: Any, visitor: MakeVisitor, query: str, drawn: str
) -> None:
    post_worn_vehicle(api)
    answer = visitor("manager").get(f"/vehicles/V-9/tests.svg?{query}")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert drawn in answer.text
    assert "12 proof ratios, 12 build rates" in answer.text


@pytest.mark.parametrize("path", ["?over=weight", "/tests.svg?x=weight", "/tests.svg?size=huge"])
def test_a_choice_that_cannot_be_is_told(fleet_api: Any, path: str) -> None:
    answer = signed_in(fleet_api).get(f"/vehicles/V-0107{path}")
    assert answer.status_code == 422
    assert "✕" in text_of(answer)


def test_a_vehicle_is_found_by_its_number(fleet_api: Any) -> None:
    manager = signed_in(fleet_api)
    assert "Fleet number" in text_of(manager.get("/vehicles"))
    found = manager.get("/vehicles?vehicle=+V-0107+")
    assert (found.status_code, found.headers["location"]) == (303, "/vehicles/V-0107")


def test_a_vehicle_that_is_not_in_service_yet_has_nothing_to_judge(api: Any) -> None:
    post_family(api)
    document = {**DOCUMENTS[Kind.VEHICLES], "in_service_on": "2026-12-31"}
    posted = api.manager.post("/v1/vehicles", json=document)
    assert posted.status_code == 201, posted.text
    told = text_of(signed_in(api).get("/vehicles/V-0107"))
    assert "not in service yet" in told


def test_where_the_list_is_of_another_day_the_page_says_of_which(
    api: Any, visitor: MakeVisitor
) -> None:
    post_worn_vehicle(api)
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    sync(api.store, fleet_id, api.settings.home)
    as_of = datetime(2026, 5, 31, 12, tzinfo=UTC)
    with open_mirror(api.settings.home, fleet_id) as connection:
        assessed = assess(connection, as_of)
    meta = {**assessed.meta, "as_of": format_rfc3339(as_of)}
    publish(api.settings.home, fleet_id, assessed.tables, meta)

    assert "(the action list as of 2026-05-31)" in text_of(visitor("manager").get("/vehicles/V-9"))
