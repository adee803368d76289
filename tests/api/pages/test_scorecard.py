"""The page of how well past verdicts did: honest while it is worked out, and in plain words."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

import httpx
import pytest
from playwright.sync_api import Page

from fleetdb.report.scorecards import Finished, Scorecards, Underway
from fleetdb.store.fleets import resolve_fleet
from fleetdb.trend.refresh import refresh
from tests.api.pages.browsing import (
    SIZES,
    assert_accessible,
    assert_pictures_drawn,
    sign_in,
)
from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.selects import counting_selects
from tests.api.pages.test_action_list import FLEET, HOSTILE, publish_verdicts

MakeVisitor = Callable[..., Visitor]
ADDRESS = "/scorecard?from=2025-01&to=2025-12"


def card(**fields: Any) -> dict[str, Any]:
    """A card as ``scorecard_json`` gives it."""
    groups = {
        "caught": 2,
        "missed": 1,
        "notice_days_p25": 70.0,
        "notice_days_p50": 80.0,
        "notice_days_p75": 90.0,
        "right_calls": 2,
        "cause_found_calls": 1,
        "false_calls": 1,
        "open_calls": None,
    }
    missed = dict.fromkeys(groups) | {"caught": 0, "missed": 1}
    return {
        "notice_counts_from_days": 30,
        "notice_counts_to_days": 400,
        "failures": {
            "caught": 2,
            "missed": 1,
            "notice_days": {"p25": 70.0, "p50": 80.0, "p75": 90.0},
        },
        "calls": {
            "right": 12,
            "cause_found": 11,
            "false": 3,
            "open": 4,
            "pump_years": 50.0,
            "false_per_100_pump_years": 6.0,
        },
        "by_pump_family": [{"pump_family": HOSTILE, **groups}],
        "by_leading_cause": [
            {"leading_cause": None, **missed},
            {"leading_cause": "pump_wear", **groups},
        ],
        "calibration": {
            "judged": 1234,
            "left_out": 7,
            "base_rate": 0.07,
            "brier": 0.02,
            "brier_of_base_rate": 0.0651,
            "reliability": [
                {"tenth": 0, "n": 1200, "stated": 0.02, "observed": 0.01},
                {"tenth": 5, "n": 34, "stated": 0.55, "observed": 0.6},
            ],
        },
        "limit_dates": {
            "judged": 20,
            "covered": 15,
            "too_early": 3,
            "too_late": 2,
            "share_covered": 0.75,
        },
        **fields,
    }


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Callable[[Finished | Underway], None]:
    """Have every scorecard be a given one: a replay takes long, and has tests of its own."""

    def tell(answer: Finished | Underway) -> None:
        monkeypatch.setattr(Scorecards, "card", lambda *_: answer)

    return tell


def test_until_it_is_worked_out_the_page_says_how_far_it_is(
    api: Any, visitor: MakeVisitor, told: Any
) -> None:
    publish_verdicts(api, *FLEET)
    manager = visitor("manager")
    told(Underway(0, 12))
    first = manager.get(ADDRESS)
    assert first.status_code == 200
    assert "2025-01 to 2025-12 are judged anew" in text_of(first)
    assert "Waiting for its turn, or at the first of 12 month ends" in text_of(first)
    told(Underway(5, 12))
    later = manager.get(ADDRESS)
    assert "5 of 12 month ends done" in text_of(later)
    assert '<progress id="done" max="12" value="5">' in later.text
    assert manager.get(ADDRESS.replace("?", "/calibration.svg?")).status_code == 404


def test_the_page_tells_what_was_caught_missed_and_called_in_vain(
    api: Any, visitor: MakeVisitor, told: Any
) -> None:
    publish_verdicts(api, *FLEET)
    told(Finished("another", card()))
    words = text_of(visitor("manager").get(ADDRESS))
    for said in (
        "Failed on the road, called in time 2",
        "Failed on the road, not called 1",
        "Notice in the median 80 days",
        "Notice of the middle half 70 to 90 days",
        "Calls that were right 12",
        "of which the cause named was found 11",
        "False calls 3",
        "False calls per 100 pumps and year 6.0",
        "not called 0 1 – 0 0 0 0",
        "pump wear 2 1 80 (70 to 90) 2 1 1 0",
        "1,234 of these could be held against later tests and failures, 7 could not",
        "55 % 60 % 34",
        "Score of these probabilities (Brier) 0.0200",
        "Score of stating 7.0 % each time 0.0651",
        "The verdicts scored better than that.",
        "Limit came between the two dates 75 %",
        "Newer records have come since",
    ):
        assert said in words, said


def test_probabilities_worth_nothing_and_what_cannot_be_judged_are_told(
    api: Any, visitor: MakeVisitor, told: Any
) -> None:
    publish_verdicts(api, *FLEET)
    manager = visitor("manager")
    worthless = card()["calibration"] | {"brier": 0.09}
    told(Finished("another", card(calibration=worthless)))
    assert "no better than that: do not lean" in text_of(manager.get(ADDRESS))
    nothing = card(
        failures={"caught": 0, "missed": 0, "notice_days": None},
        by_pump_family=[],
        by_leading_cause=[],
        calibration=dict.fromkeys(worthless) | {"judged": 0, "reliability": []},
        limit_dates={"judged": 0, "share_covered": None},
    )
    told(Finished("another", nothing))
    words = text_of(manager.get(ADDRESS))
    assert "No probability of these months could be held against" in words
    assert "No limit date of these months could be judged yet" in words
    assert "Notice in the median –" in words


def test_the_picture_is_an_svg_of_its_own_that_names_its_card(
    api: Any, visitor: MakeVisitor, told: Any
) -> None:
    publish_verdicts(api, *FLEET)
    told(Finished("20250101T000000Z-a", card()))
    manager = visitor("manager")
    found = re.search(r'<img src="([^"]+)"', manager.get(ADDRESS).text)
    assert found and found[1].endswith("of=20250101T000000Z-a")
    drawn = manager.get(found[1].replace("&amp;", "&"))
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert "stated 55%, came so 60% of 34 month ends" in drawn.text


def test_hostile_family_names_are_text(api: Any, visitor: MakeVisitor, told: Any) -> None:
    publish_verdicts(api, *FLEET)
    told(Finished("another", card()))
    shown = visitor("manager").get(ADDRESS)
    assert "<script>alert" not in shown.text
    assert "&lt;script&gt;alert(1)" in shown.text


def test_a_fleet_without_verdicts_is_led_to_its_first_load(visitor: MakeVisitor) -> None:
    words = text_of(visitor("manager").get("/scorecard"))
    assert "tells how well past verdicts did" in words and "fleetdb load my-folder" in words


@pytest.mark.parametrize("query", ["from=2025-13", "from=2025-06&to=2025-05", "to=2999-01"])
def test_months_that_cannot_be_are_told_on_a_page(visitor: MakeVisitor, query: str) -> None:
    answer = visitor("manager").get(f"/scorecard?{query}")
    assert (answer.status_code, "✕" in text_of(answer)) == (422, True)


def test_months_left_empty_in_the_form_are_the_last_two_years(
    api: Any, visitor: MakeVisitor, told: Any
) -> None:
    publish_verdicts(api, *FLEET)
    told(Underway(0, 24))
    manager = visitor("manager")
    assert text_of(manager.get("/scorecard?from=&to=")) == text_of(manager.get("/scorecard"))


def test_a_workshop_may_not_see_it(visitor: MakeVisitor) -> None:
    someone = visitor("workshop", workshop_name="North")
    answers: list[httpx.Response] = [
        someone.get(path) for path in ("/scorecard", "/scorecard/calibration.svg")
    ]
    assert [answer.status_code for answer in answers] == [403, 403]


def test_a_card_that_was_worked_out_for_the_page_is_the_interfaces_card(
    any_fleet_api: Any, record: Any
) -> None:
    """The whole way once on each database: a replay, the page, and the same figures as the API."""
    api = any_fleet_api
    sent = api.manager.post(
        "/v1/test-records",
        json=record(performed_at="2025-01-10T10:00:00Z"),
        headers={"Prefer": "return=minimal"},
    )
    assert sent.status_code == 201, sent.text
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    refresh(api.store, fleet_id, api.settings.home, force=True)
    manager = Visitor(api.client())
    manager.sign_in(api.token("manager"))
    address = "/scorecard?from=2025-01&to=2025-02"
    deadline = time.monotonic() + 120
    while "judged anew, each with" in (words := text_of(manager.get(address))):
        assert time.monotonic() < deadline, "no scorecard came"
        time.sleep(0.2)
    given = api.manager.get("/v1/scorecard?from=2025-01&to=2025-02").json()
    assert f"Failed on the road, called in time {given['failures']['caught']}" in words
    assert f"Calls still open {given['calls']['open']}" in words


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_it(
    api: Any, open_page: Callable[..., Page], told: Any, size: str, scheme: str
) -> None:
    page = open_page(size, scheme)
    sign_in(page, api.token("manager"))
    page.goto(ADDRESS)
    assert_accessible(page)  # a fleet without verdicts
    publish_verdicts(api, *FLEET)
    told(Underway(5, 12))
    page.goto(ADDRESS)
    assert_accessible(page)
    told(Finished("another", card()))
    page.get_by_role("link", name="Look again").click()
    assert page.get_by_role("link", name="How well we called it").is_visible()
    assert_pictures_drawn(page)
    assert_accessible(page)


def test_the_page_takes_as_many_queries_for_many_families_as_for_one(
    api: Any, visitor: MakeVisitor, told: Any
) -> None:
    publish_verdicts(api, *FLEET)
    manager = visitor("manager")
    [row] = card()["by_pump_family"]
    counts = []
    for n in (1, 60):
        rows = [row | {"pump_family": f"f-{k}"} for k in range(n)]
        told(Finished("now", card(by_pump_family=rows)))
        with counting_selects() as statements:
            assert f"f-{n - 1}" in manager.get(ADDRESS).text
        counts.append(len(statements))
    assert counts[0] == counts[1] <= 5
