"""The page of data quality, from real records, refusals and a real snapshot."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import httpx
import pyarrow as pa
import pytest
from playwright.sync_api import Page

from fleetdb.report.data_quality import DataQuality
from fleetdb.store.fleets import resolve_fleet
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.refresh import refresh
from fleetdb.trend.timing_habits import habits_table
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.snapshot import publish
from tests.api.pages.browsing import SIZES, assert_accessible, sign_in
from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.selects import counting_selects
from tests.api.pages.test_action_list import FLEET, HOSTILE, publish_verdicts

Maker = Callable[..., dict[str, Any]]
MakeVisitor = Callable[..., Visitor]
ADDRESS = "/data-quality?from=2025-01-01&to=2999-01-01"
NASTY = HOSTILE[:80]


def send(api: Any, document: dict[str, Any]) -> int:
    quick = {"Prefer": "return=minimal"}
    return api.manager.post("/v1/test-records", json=document, headers=quick).status_code


def fill(api: Any, record: Maker) -> None:
    """Two tests of one workshop that look alike, one of a nasty one, and one refused."""
    for _ in range(2):
        assert send(api, record(workshop="North", conditions=None)) == 201
    assert send(api, record(workshop=NASTY, kit=None, odometer_km=None)) == 201
    assert send(api, record(workshop=NASTY, vehicle="V-9999")) == 422
    publish_now(api)


def publish_now(api: Any) -> None:
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    refresh(api.store, fleet_id, api.settings.home, force=True)


def test_verdicts_of_an_earlier_version_leave_what_was_set_aside_being_worked_out(
    fleet_api: Any, record: Maker
) -> None:
    fill(fleet_api, record)
    publish_verdicts(fleet_api, *FLEET)
    words = text_of(answered(manager_of(fleet_api)))
    assert f"North {row_of(2, '2 100 %', '2 100 %', '0 0 %', '0 0 %', 2, '–', 0, 0)}" in words
    assert "Set aside Being worked out: the verdicts shown now are of an earlier version" in words
    publish_now(fleet_api)
    assert "Being worked out" not in text_of(answered(manager_of(fleet_api)))


def row_of(*counts: object) -> str:
    """Return a workshop's row as it reads, each count after its label for narrow screens."""
    labels = (
        *("records", "no fuel temperature", "no crank speed", "no odometer", "no kit"),
        *("remarks", "set aside", "refused", "sent again"),
    )
    return " ".join(f"{label} {count}" for label, count in zip(labels, counts, strict=True))


def shown(visitor: Visitor) -> str:
    """The page, once it is worked out."""
    return answered(visitor).text


def answered(visitor: Visitor) -> httpx.Response:
    for _ in range(30):
        page = visitor.get(ADDRESS)
        if "are being read" not in page.text:
            return page
    raise AssertionError("nothing came")


def manager_of(api: Any) -> Visitor:
    made = Visitor(api.client())
    assert made.sign_in(api.token("manager")).status_code == 303
    return made


def test_what_records_lack_and_what_was_refused_is_told_by_workshop(
    any_fleet_api: Any, record: Maker
) -> None:
    fill(any_fleet_api, record)
    manager = manager_of(any_fleet_api)
    shown(manager)
    words = text_of(manager.get(ADDRESS))
    for said in (
        f"North {row_of(2, '2 100 %', '2 100 %', '0 0 %', '0 0 %', 2, 0, 0, 0)}",
        row_of(1, "0 0 %", "0 0 %", "1 100 %", "1 100 %", 1, 0, 1, 0),
        "no fuel temperature 2",
        "test records a field that cannot be field /vehicle times 1",
        "1 test looks as if sent under several ids",
        "V-0107 2025-03-01 North 2",
    ):
        assert said in words, said
    only = text_of(manager.get(f"{ADDRESS}&workshop=North"))
    assert "Only North." in only or "being read" in only


@pytest.mark.parametrize(
    ("ln_build", "said"), [(0.057, "+6 %"), (-0.041, "-4 %"), (-0.002, "0 %"), (None, "–")]
)
def test_how_a_workshop_times_is_told_in_whole_per_cents(
    fleet_api: Any, record: Maker, ln_build: float | None, said: str
) -> None:
    fill(fleet_api, record)
    habits = {} if ln_build is None else {"reed-1600": {"North": ln_build}}
    publish(
        fleet_api.settings.home,
        1,
        {
            "verdicts": SCHEMA.empty_table(),
            "set_aside": pa.table(
                {
                    "record_id": pa.array([], pa.string()),
                    "vehicle": pa.array([], pa.string()),
                    "performed_at": pa.array([], pa.timestamp("us")),
                    "workshop": pa.array([], pa.string()),
                }
            ),
            "timing_habits": habits_table(habits),
        },
        {"as_of": format_rfc3339(datetime.now(UTC))},
    )
    words = text_of(answered(manager_of(fleet_api)))
    row = row_of(2, "2 100 %", "2 100 %", "0 0 %", "0 0 %", 2, 0, 0, 0)
    assert f"North {row} build rates over others' {said} " in words


def test_hostile_workshop_names_are_text_and_lead_to_their_own_page(
    fleet_api: Any, record: Maker
) -> None:
    fill(fleet_api, record)
    manager = manager_of(fleet_api)
    page = shown(manager)
    assert "<script>alert" not in page and "<img" not in page
    assert page.count("&lt;script&gt;alert(1)") >= 2
    own = manager.get("/data-quality", params={"workshop": NASTY, "from": "2025-01-01"})
    assert "<script>alert" not in own.text and "Only &lt;script&gt;" in own.text


def test_days_without_records_and_a_new_fleet_are_told(api: Any, visitor: MakeVisitor) -> None:
    manager = visitor("manager")
    assert "tells what records lack" in text_of(manager.get("/data-quality"))


def test_while_it_is_worked_out_the_page_says_so(
    api: Any, visitor: MakeVisitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish_verdicts(api, *FLEET)
    monkeypatch.setattr(DataQuality, "quality", lambda *_: None)
    words = text_of(visitor("manager").get(ADDRESS))
    assert "are being read" in words and "Look again" in words


def test_the_page_takes_as_many_queries_for_many_workshops_as_for_one(
    fleet_api: Any, record: Maker
) -> None:
    manager = manager_of(fleet_api)
    counts = []
    for n in (1, 12):
        for k in range(n):
            assert send(fleet_api, record(workshop=f"Workshop {k}")) == 201
            assert send(fleet_api, record(workshop=f"Workshop {k}", vehicle="V-9999")) == 422
        publish_now(fleet_api)
        # The first answer may be that it is being worked out; then it is kept ready.
        assert shown(manager).count("Workshop ") >= n
        with counting_selects() as statements:
            assert f"Workshop {n - 1}" in manager.get(ADDRESS).text
        counts.append(len(statements))
    assert counts[0] == counts[1] <= 5


@pytest.mark.parametrize("query", ["from=2025-13-01", "to=soon", "from=2025-02-01&to=2025-01-01"])
def test_days_that_cannot_be_are_told_on_a_page(visitor: MakeVisitor, query: str) -> None:
    answer = visitor("manager").get(f"/data-quality?{query}")
    assert (answer.status_code, "✕" in text_of(answer)) == (422, True)


def test_a_workshop_may_not_see_it(visitor: MakeVisitor) -> None:
    assert visitor("workshop", workshop_name="North").get("/data-quality").status_code == 403


@pytest.mark.parametrize(("size", "scheme"), [("desk", "dark"), ("phone", "light")])
def test_axe_finds_nothing_against_it(
    fleet_api: Any, record: Maker, open_page: Callable[..., Page], size: str, scheme: str
) -> None:
    assert size in SIZES
    fill(fleet_api, record)
    page = open_page(size, scheme)
    sign_in(page, fleet_api.token("manager"))
    page.goto(ADDRESS)
    while page.get_by_role("link", name="Look again").count():
        assert_accessible(page)
        page.get_by_role("link", name="Look again").click()
    assert_accessible(page)
    page.get_by_role("link", name="North").click()
    assert "Only North" in page.locator("main").inner_text()
    page.goto("/data-quality?from=2001-01-01&to=2001-01-02")
    assert_accessible(page)
