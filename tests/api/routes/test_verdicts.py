"""The action list over HTTP, from published snapshots."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from datetime import UTC, date, datetime
from typing import Any

import polars as pl
import pyarrow as pa
import pytest

from fleetdb.cautions import CAUTIONS
from fleetdb.report.action_list import urgent_first
from fleetdb.store.fleets import resolve_fleet
from fleetdb.timestamps import parse_rfc3339
from fleetdb.trend.refresh import refresh
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.snapshot import publish

Maker = Callable[..., dict[str, Any]]

# vehicle, state, probability below the limit, middle limit date, depot
FLEET = [
    ("V-1", "sound", 0.02, None, "Quarry Lane"),
    ("V-2", "book_in", 0.70, date(2025, 6, 1), "Harbour Road"),
    ("V-3", "stand_down", 0.99, date(2025, 4, 2), "Quarry Lane"),
    ("V-4", "unproven", None, None, None),
    ("V-5", "watch", 0.30, date(2025, 9, 1), "Quarry Lane"),
    ("V-6", "book_in", 0.70, date(2025, 5, 1), "Quarry Lane"),
]


def verdict_table(rows: list[tuple[str, str, float | None, date | None, str | None]]) -> pa.Table:
    return pa.Table.from_pylist(
        [
            {
                "as_of": date(2025, 4, 1),
                "vehicle": vehicle,
                "state": state,
                "probability_below_limit": probability,
                # Not in step with the other, so that the two orders differ.
                "probability_worn": None if probability is None else (7 * probability) % 1,
                "limit_date_p50": limit_date,
                "depot": depot,
                "pump_family": "ridge-16",
                "fitted_at": datetime(2023, 6, 19, 12, 20),  # noqa: DTZ001 - bare UTC, as published
                "leading_cause": "pump_wear" if state != "sound" else None,
            }
            for vehicle, state, probability, limit_date, depot in rows
        ],
        schema=SCHEMA,
    )


def publish_fleet(api: Any, rows: list[Any]) -> None:
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    meta = {"as_of": "2025-04-01T00:00:00Z"}
    publish(api.settings.home, fleet_id, {"verdicts": verdict_table(rows)}, meta)


def vehicles_of(answer: Any) -> list[str]:
    assert answer.status_code == 200, answer.text
    return [item["vehicle"] for item in answer.json()["items"]]


@pytest.mark.parametrize(
    ("sort", "order"),
    [
        (None, ["V-3", "V-2", "V-6", "V-5", "V-1", "V-4"]),
        ("probability", ["V-3", "V-2", "V-6", "V-5", "V-1", "V-4"]),
        ("limit_date", ["V-3", "V-6", "V-2", "V-5", "V-1", "V-4"]),
        ("state", ["V-3", "V-2", "V-6", "V-5", "V-1", "V-4"]),
        ("vehicle", ["V-1", "V-2", "V-3", "V-4", "V-5", "V-6"]),
    ],
)
@pytest.mark.parametrize("limit", [1, 2, 100])
def test_pages_follow_the_order_and_leave_none_out(
    api: Any, sort: str | None, order: list[str], limit: int
) -> None:
    publish_fleet(api, FLEET)
    query = {"limit": limit} if sort is None else {"sort": sort, "limit": limit}
    answer = api.manager.get("/v1/verdicts", params=query)
    seen = vehicles_of(answer)
    while answer.json()["next_cursor"] is not None:
        answer = api.manager.get(answer.links["next"]["url"])
        seen += vehicles_of(answer)
    assert seen == order


def test_the_first_page_has_the_order_of_the_printed_action_list(api: Any) -> None:
    states = ["watch", "book_in", "stand_down"]
    fleet = [(f"V-{n}", states[n % 3], (n * 0.37) % 1, None, None) for n in range(12)]
    publish_fleet(api, fleet)
    printed = urgent_first(pl.DataFrame(verdict_table(fleet)))
    assert vehicles_of(api.manager.get("/v1/verdicts")) == printed["vehicle"].to_list()


def test_the_list_is_filtered(api: Any) -> None:
    publish_fleet(api, FLEET)

    def ask(query: str) -> list[str]:
        return vehicles_of(api.manager.get(f"/v1/verdicts?{query}"))

    assert ask("state=book_in") == ["V-2", "V-6"]
    assert ask("state=book_in&state=stand_down") == ["V-3", "V-2", "V-6"]
    assert ask("depot=Harbour%20Road") == ["V-2"]
    assert ask("state=book_in&depot=Quarry%20Lane") == ["V-6"]
    assert ask("pump_family=none") == []
    assert len(ask("leading_cause=pump_wear")) == 5
    assert api.manager.get("/v1/verdicts?state=fine").status_code == 422


def test_the_list_says_how_many_entries_are_expected_to_be_needless(api: Any) -> None:
    publish_fleet(api, FLEET)
    answer = api.manager.get("/v1/verdicts?state=watch").json()

    # V-2, V-3 and V-6 are acted on, at 0.90, 0.93 and 0.90 worn (7 times the probability, mod 1).
    assert answer["to_act_on"] == 3
    assert answer["expected_needless"] == pytest.approx(0.10 + 0.07 + 0.10)


def test_a_verdict_is_told_in_json_with_the_cautions(api: Any) -> None:
    publish_fleet(api, FLEET[:1])
    answer = api.manager.get("/v1/verdicts").json()
    assert answer["as_of"] == "2025-04-01T00:00:00Z"
    assert answer["cautions"] == list(CAUTIONS)
    (verdict,) = answer["items"]
    assert verdict.keys() == set(SCHEMA.names)
    assert verdict["as_of"] == "2025-04-01"
    assert verdict["fitted_at"] == "2023-06-19T12:20:00Z"


def test_all_pages_come_from_one_snapshot(api: Any) -> None:
    publish_fleet(api, FLEET)
    first = api.manager.get("/v1/verdicts?limit=3")
    publish_fleet(api, [(v, "stand_down", 1.0, None, None) for v, *_ in FLEET])
    second = api.manager.get(first.links["next"]["url"])
    assert second.json()["snapshot"] == first.json()["snapshot"]
    assert vehicles_of(first) + vehicles_of(second) == ["V-3", "V-2", "V-6", "V-5", "V-1", "V-4"]
    fresh = api.manager.get("/v1/verdicts?limit=3")
    assert {item["state"] for item in fresh.json()["items"]} == {"stand_down"}


def test_a_cursor_goes_with_its_filters_and_a_snapshot_that_is_kept(api: Any) -> None:
    publish_fleet(api, FLEET)
    cursor = api.manager.get("/v1/verdicts?limit=3").json()["next_cursor"]
    other = api.manager.get(f"/v1/verdicts?limit=3&sort=state&cursor={cursor}")
    assert other.status_code == 422
    assert other.json()["errors"][0]["parameter"] == "cursor"
    more = api.manager.get(f"/v1/verdicts?limit=5&cursor={cursor}")
    assert vehicles_of(more) == ["V-5", "V-1", "V-4"]


def test_today_is_one_moment_on_every_page_of_a_list(
    api: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish_fleet(api, FLEET)
    moments: list[datetime] = []

    class Assessed:
        verdicts = verdict_table(FLEET)

    def assess(_: Any, moment: datetime, teacher: Any) -> Assessed:
        moments.append(moment)
        return Assessed()

    monkeypatch.setattr("fleetdb.report.published.assess", assess)
    monkeypatch.setattr("fleetdb.report.published.open_mirror", lambda *_: nullcontext())
    answer = api.manager.get("/v1/verdicts?limit=2&as_of=9999-12-31")
    seen, told = vehicles_of(answer), {answer.json()["as_of"]}
    while answer.json()["next_cursor"] is not None:
        answer = api.manager.get(answer.links["next"]["url"])
        seen += vehicles_of(answer)
        told.add(answer.json()["as_of"])

    assert seen == ["V-3", "V-2", "V-6", "V-5", "V-1", "V-4"]
    assert len(moments) == len(told) == 1


def test_before_the_first_snapshot_the_answer_says_what_to_do(api: Any) -> None:
    answer = api.manager.get("/v1/verdicts")
    assert answer.status_code == 404
    assert answer.json()["type"] == "urn:fleetdb:problem:no-verdicts-yet"
    assert "fleetdb assess" in answer.json()["detail"]


def test_verdicts_of_a_past_date_see_only_what_had_been_done(
    any_fleet_api: Any, record: Maker
) -> None:
    api = any_fleet_api
    minimal = {"Prefer": "return=minimal"}
    for month in (1, 2, 3, 4):
        document = record(performed_at=f"2025-0{month}-10T10:00:00Z", odometer_km=100_000 + month)
        assert api.manager.post("/v1/test-records", json=document, headers=minimal).is_success
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    refresh(api.store, fleet_id, api.settings.home)
    ((now),) = api.manager.get("/v1/verdicts").json()["items"]
    past = api.manager.get("/v1/verdicts?as_of=2025-02-28").json()
    assert (now["vehicle"], now["n_tests"]) == ("V-0107", 4)
    ((then),) = past["items"]
    assert then["n_tests"] == 2
    assert then["as_of"] == "2025-02-28"
    assert past["as_of"] == "2025-02-28T23:59:59.999999Z"
    to_come = api.manager.get("/v1/verdicts?as_of=9999-12-31").json()
    ((then),) = to_come["items"]
    assert then["n_tests"] == 4
    assert parse_rfc3339(to_come["as_of"]) <= datetime.now(UTC)
