"""The page of planned tests and its calendar."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from icalendar import Calendar
from playwright.sync_api import Page

from api.pages import planned_tests as module
from fleetdb.cautions import CAUTIONS
from tests.api.pages.browsing import SIZES, assert_accessible, sign_in
from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.selects import counting_selects
from tests.api.pages.test_action_list import HOSTILE, listed, publish_verdicts, verdict

MakeVisitor = Callable[..., Visitor]
AS_OF = datetime(2025, 4, 1, 12, tzinfo=UTC)


def seen_last(vehicle: str, days_ago: int, **fields: Any) -> dict[str, Any]:
    at = (AS_OF - timedelta(days=days_ago)).replace(tzinfo=None)
    return verdict(vehicle, fields.pop("state", "sound"), 0.1, last_test_at=at, **fields)


PLAN = [
    seen_last("V-late", 203, depot="Harbour Road"),
    seen_last("V-soon", 170),
    seen_last("V-later", 10),
    seen_last("V-few", 40, state="unproven", depot="Harbour Road"),
    seen_last("V-risk", 20, limit_date_p02=(AS_OF + timedelta(days=50)).date()),
]


def publish_plan(api: Any, *rows: dict[str, Any]) -> None:
    publish_verdicts(api, *(rows or PLAN), as_of=AS_OF)


def test_the_plan_is_shown_by_day_with_why_and_what_is_overdue(any_api: Any) -> None:
    publish_plan(any_api)
    manager = Visitor(any_api.client())
    manager.sign_in(any_api.token("manager"))
    shown = manager.get("/planned-tests")
    assert listed(shown) == ["V-late", "V-few", "V-soon", "V-risk", "V-later"]
    words = text_of(shown)
    for said in (
        "Overdue 2 Due within 30 days 1 Later 2",
        "due 2025-03-12 ! overdue by 20 d The longest interval",
        "due 2025-03-22 ! overdue by 10 d Too few tests to say. ○ unproven",
        "due 2025-05-21 Any later, it would be below its limit with more than one chance in fifty.",
        "never sooner than 30 days after the last test, nor later than 183",
        *CAUTIONS,
    ):
        assert said in words, said
    assert 'href="/vehicles/V-late"' in shown.text


@pytest.mark.parametrize(
    ("query", "vehicles"),
    [
        ("depot=Harbour+Road", ["V-late", "V-few"]),
        ("when=overdue", ["V-late", "V-few"]),
        ("when=soon", ["V-late", "V-few", "V-soon"]),
        ("depot=Quarry+Lane&when=overdue", []),
        ("depot=&when=", ["V-late", "V-few", "V-soon", "V-risk", "V-later"]),
    ],
)
def test_the_plan_is_what_was_chosen(
    api: Any, visitor: MakeVisitor, query: str, vehicles: list[str]
) -> None:
    publish_plan(api)
    assert listed(visitor("manager").get(f"/planned-tests?{query}")) == vehicles


def test_the_calendar_of_a_depot_is_whole_whatever_else_was_chosen(
    any_api: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish_plan(any_api)
    manager = Visitor(any_api.client())
    manager.sign_in(any_api.token("manager"))
    shown = manager.get("/planned-tests?depot=Harbour+Road&when=soon")
    address = re.search(r'href="(/planned-tests\.ics[^"]*)"', shown.text)
    assert address
    given = manager.get(address[1].replace("&amp;", "&"))
    assert given.headers["content-type"] == "text/calendar; charset=utf-8"
    assert 'filename="planned-tests.ics"' in given.headers["content-disposition"]
    events = Calendar.from_ical(given.text).events
    assert [str(event["SUMMARY"]) for event in events] == [
        "Test the pump of V-late, overdue since 2025-03-12",
        "Test the pump of V-few, overdue since 2025-03-22",
    ]
    again = Calendar.from_ical(manager.get("/planned-tests.ics").text).events
    assert {str(e["UID"]) for e in events} < {str(e["UID"]) for e in again}
    monkeypatch.setattr(module, "MOST_EVENTS", 3)
    refused = manager.get("/planned-tests.ics")
    assert (refused.status_code, "choose a depot" in text_of(refused)) == (422, True)
    assert "choose a depot to get one" in text_of(manager.get("/planned-tests"))


def test_a_long_plan_comes_in_pages_with_a_bounded_number_of_queries(
    api: Any, visitor: MakeVisitor
) -> None:
    manager = visitor("manager")
    counts = []
    for n in (1, 120):
        publish_plan(api, *(seen_last(f"V-{k:03}", 10) for k in range(n)))
        with counting_selects() as statements:
            assert len(listed(manager.get("/planned-tests"))) == min(n, 50)
        counts.append(len(statements))
    assert counts[0] == counts[1] <= 4
    assert listed(manager.get("/planned-tests?page=3")) == [f"V-{k}" for k in range(100, 120)]
    # Nothing of the next page's address is lost.
    shown = manager.get("/planned-tests?depot=Quarry+Lane").text
    assert "depot=Quarry+Lane&amp;page=2" in shown


def test_a_fleet_says_its_own_intervals(
    sqlite_settings: Any, serve_app: Callable[..., Any]
) -> None:
    settings = replace(sqlite_settings, shortest_test_interval_d=60, longest_test_interval_d=365)
    with serve_app(settings) as api:
        publish_plan(api)
        manager = Visitor(api.client())
        manager.sign_in(api.token("manager"))
        words = text_of(manager.get("/planned-tests"))
    assert "Overdue 0" in words and "sooner than 60 days" in words


def test_the_action_list_says_when_the_next_test_is(api: Any, visitor: MakeVisitor) -> None:
    publish_plan(api)
    manager = visitor("manager")
    words = text_of(manager.get("/?state=all&vehicle=V-late"))
    assert "next planned test 2025-03-12 ! overdue by 20 d" in words
    # Two of five are overdue.
    assert "Tested within their interval 60 %" in words
    assert "next_test_on" in manager.get("/action-list.csv?state=all").text


def test_hostile_names_are_text(api: Any, visitor: MakeVisitor) -> None:
    publish_plan(api, seen_last(HOSTILE, 10, depot=HOSTILE, pump_family=HOSTILE))
    shown = visitor("manager").get("/planned-tests", params={"depot": HOSTILE})
    assert "<script>alert" not in shown.text and "<img" not in shown.text
    assert shown.text.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 4


def test_a_new_fleet_is_led_to_its_first_load(api: Any, visitor: MakeVisitor) -> None:
    manager = visitor("manager")
    assert "fleetdb load my-folder" in text_of(manager.get("/planned-tests"))
    assert manager.get("/planned-tests.ics").status_code == 404
    publish_verdicts(api)
    assert "says which pump is to be tested when" in text_of(manager.get("/planned-tests"))


def test_a_workshop_may_not_see_it(visitor: MakeVisitor) -> None:
    someone = visitor("workshop", workshop_name="North")
    for path in ("/planned-tests", "/planned-tests.ics"):
        assert someone.get(path).status_code == 403


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_it(
    api: Any, open_page: Callable[..., Page], size: str, scheme: str
) -> None:
    publish_plan(api, *PLAN, seen_last(HOSTILE, 5, depot=HOSTILE))
    page = open_page(size, scheme)
    sign_in(page, api.token("manager"))
    page.goto("/planned-tests")
    page.get_by_text("How a day is found").click()
    assert_accessible(page)
    page.get_by_label("Depot").select_option("Harbour Road")
    page.get_by_role("button", name="Show").click()
    assert "2 tests" in page.get_by_role("status").inner_text()
    with page.expect_download() as download:
        page.get_by_role("link", name="as a calendar").click()
    assert download.value.suggested_filename == "planned-tests.ics"
