"""The first page, from published verdicts."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pyarrow as pa
import pytest

from fleetdb.cautions import VERDICT_CAUTION
from fleetdb.store.fleets import resolve_fleet
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.snapshot import publish
from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.selects import counting_selects

MakeVisitor = Callable[..., Visitor]
HOSTILE = "<script>alert(1)</script>\"'><img src=x>"


def verdict(vehicle: str, state: str, worn: float, **fields: Any) -> dict[str, Any]:
    return {
        "as_of": date(2025, 4, 1),
        "vehicle": vehicle,
        "state": state,
        "probability_worn": worn,
        "probability_below_limit": worn / 2,
        "horizon_days": 60.0,
        "depot": "Quarry Lane",
        "pump_family": "ridge-16",
        "fitted_at": datetime(2023, 6, 19, 12, 20),  # noqa: DTZ001 - bare UTC, as published
        "reasons": f"first of {vehicle}; second of {vehicle}",
        "advice": "Plan the pump.",
        "n_tests": 4,
        **fields,
    }


def publish_verdicts(api: Any, *rows: dict[str, Any], as_of: datetime | None = None) -> None:
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    table = pa.Table.from_pylist(rows, schema=SCHEMA)
    moment = as_of or datetime.now(UTC) - timedelta(minutes=3)
    publish(api.settings.home, fleet_id, {"verdicts": table}, {"as_of": format_rfc3339(moment)})


FLEET = [
    verdict("V-1", "sound", 0.02),
    verdict("V-2", "book_in", 0.7, depot="Harbour Road", leading_cause="supply_side"),
    verdict("V-3", "stand_down", 0.9, leading_cause="pump_wear"),
    verdict("V-4", "unproven", 0.1, pump_family="vale-18"),
    verdict("V-5", "watch", 0.3, leading_cause="pump_wear"),
    verdict("v-31", "book_in", 0.6, limit_date_p10=date(2025, 6, 1), leading_cause="pump_wear"),
]


def listed(answer: Any) -> list[str]:
    assert answer.status_code == 200, answer.text
    return re.findall(r'<span class="number">(?:<a [^>]*>)?([^<]*)<', answer.text)


@pytest.mark.parametrize(
    ("query", "vehicles"),
    [
        ("", ["V-3", "V-2", "v-31", "V-5"]),
        ("state=all", ["V-3", "V-2", "v-31", "V-5", "V-1", "V-4"]),
        ("state=book_in", ["V-2", "v-31"]),
        ("depot=Harbour+Road", ["V-2"]),
        ("state=all&family=vale-18", ["V-4"]),
        ("cause=pump_wear", ["V-3", "v-31", "V-5"]),
        ("vehicle=V-3", ["V-3", "v-31"]),
        ("state=all&sort=vehicle", ["V-1", "V-2", "V-3", "V-4", "V-5", "v-31"]),
        ("vehicle=.", []),
        # What the form sends when nothing was chosen.
        ("state=&depot=&family=&cause=&vehicle=&sort=urgency", ["V-3", "V-2", "v-31", "V-5"]),
    ],
)
def test_the_list_is_what_was_chosen_most_urgent_first(
    api: Any, visitor: MakeVisitor, query: str, vehicles: list[str]
) -> None:
    publish_verdicts(api, *FLEET)
    manager = visitor("manager")
    assert listed(manager.get(f"/?{query}")) == vehicles
    rows = csv.DictReader(io.StringIO(manager.get(f"/action-list.csv?{query}").text))
    assert [row["vehicle"] for row in rows] == vehicles


def test_each_entry_says_what_why_by_when_and_how_sure(api: Any, visitor: MakeVisitor) -> None:
    publish_verdicts(api, *FLEET)
    told = text_of(visitor("manager").get("/"))
    for words in (
        "■ stand down",
        "first of V-3",
        "second of V-3",
        "2025-06-01",
        "60 % worn",
        "30 % at the limit within 60 d",
        "Quarry Lane · ridge-16",
        VERDICT_CAUTION,
    ):
        assert words in told


def test_the_numbers_above_are_those_of_the_whole_fleet(api: Any, visitor: MakeVisitor) -> None:
    publish_verdicts(api, *FLEET)
    told = text_of(visitor("manager").get("/?depot=Harbour+Road"))
    assert "6 vehicles by state" in told
    assert "To book in or stand down 3" in told
    # (1 - 0.9) + (1 - 0.7) + (1 - 0.6)
    assert "Expected not to be worn after all 0.8" in told
    assert "3 minutes ago" in told


def test_a_long_list_comes_in_pages_and_the_csv_whole(api: Any, visitor: MakeVisitor) -> None:
    names = [f"V-{n:03}" for n in range(120)]
    publish_verdicts(api, *(verdict(name, "book_in", 0.7) for name in names))
    manager = visitor("manager")
    seen: list[str] = []
    path = "/?sort=vehicle"
    while path:
        answer = manager.get(path)
        seen += listed(answer)
        further = re.search(r'rel="next" href="([^"]+)"', answer.text)
        path = further[1].replace("&amp;", "&") if further else ""
    assert seen == names
    assert listed(manager.get("/?page=99")) == names[100:]
    assert manager.get("/action-list.csv").text.count("\n") == 121


@pytest.mark.parametrize(
    "query", ["state=asleep", "page=0", "page=x", "sort=colour", "vehicle=" + "9" * 81]
)
def test_a_choice_that_cannot_be_is_told_on_a_page(visitor: MakeVisitor, query: str) -> None:
    answer = visitor("manager").get(f"/?{query}")
    assert answer.status_code == 422
    assert "✕" in text_of(answer)


def test_hostile_names_are_text(api: Any, visitor: MakeVisitor) -> None:
    row = verdict(HOSTILE, "stand_down", 0.9, depot=HOSTILE, pump_family=HOSTILE, reasons=HOSTILE)
    publish_verdicts(api, row, verdict("=1+1", "book_in", 0.7))
    manager = visitor("manager")
    answer = manager.get("/", params={"vehicle": HOSTILE})
    assert "<script>alert" not in answer.text and "<img" not in answer.text
    assert answer.text.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 5
    assert "'=1+1" in manager.get("/action-list.csv").text


def test_a_new_fleet_is_led_to_its_first_load(api: Any, visitor: MakeVisitor) -> None:
    manager = visitor("manager")
    assert "fleetdb load my-folder" in text_of(manager.get("/"))
    refused = manager.get("/action-list.csv")
    assert (refused.status_code, "✕" in text_of(refused)) == (404, True)
    publish_verdicts(api)
    assert "No vehicles yet" in text_of(manager.get("/"))


def test_a_page_takes_as_many_queries_for_many_as_for_one(api: Any, visitor: MakeVisitor) -> None:
    manager = visitor("manager")
    counts = []
    for n in (1, 50):
        publish_verdicts(api, *(verdict(f"V-{k}", "book_in", 0.7) for k in range(n)))
        with counting_selects() as statements:
            assert len(listed(manager.get("/"))) == n
        counts.append(len(statements))
    assert counts[0] == counts[1] <= 5
