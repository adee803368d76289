"""The list of kits."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pyarrow as pa

from fleetdb.records.documents import Kind
from fleetdb.store.fleets import resolve_fleet
from fleetdb.trend.kit_table import KITS
from fleetdb.warehouse.snapshot import publish

Maker = Callable[..., dict[str, Any]]


def test_kits_are_listed_with_their_use_page_by_page(any_fleet_api: Any, record: Maker) -> None:
    client = any_fleet_api.manager
    for kit, day in (("K-3", 1), ("K-1", 2), ("K-3", 3)):
        document = record(kit=kit, performed_at=f"2025-03-0{day}T10:00:00Z")
        answer = client.post(
            "/v1/test-records", json=document, headers={"Prefer": "return=minimal"}
        )
        assert answer.status_code == 201
    any_fleet_api.post_examples(Kind.KIT_CALIBRATIONS)
    first = client.get("/v1/kits?limit=1")
    second = client.get(first.links["next"]["url"])
    assert second.json()["next_cursor"] is None
    (one,), (three,) = first.json()["items"], second.json()["items"]
    assert (one["kit"], one["n_tests"], one["last_calibrated_at"]) == ("K-1", 1, None)
    assert (three["kit"], three["n_tests"]) == ("K-3", 2)
    assert three["last_test_at"] == "2025-03-03T10:00:00Z"
    assert three["last_calibrated_at"] == "2025-01-13T08:00:00Z"


def publish_kits(api: Any, *rows: dict[str, Any]) -> None:
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    meta = {"as_of": "2025-04-01T00:00:00Z"}
    publish(api.settings.home, fleet_id, {"kits": pa.Table.from_pylist(rows, KITS)}, meta)


def post_one_test_with(api: Any, record: Maker, *kits: str) -> None:
    for kit in kits:
        answer = api.manager.post(
            "/v1/test-records", json=record(kit=kit), headers={"Prefer": "return=minimal"}
        )
        assert answer.status_code == 201


LOW = {
    "kit": "K-1",
    "bias_pct": -5.5,
    "sd_bias_pct": 0.5,
    "probability_off": 0.99,
    "reads_off": True,
    "off_since": datetime(2025, 2, 1, 8),  # noqa: DTZ001 - bare UTC, as published
    "n_tests": 40,
    "verdicts_touched": 7,
}


def test_the_newest_snapshot_says_how_each_kit_reads(fleet_api: Any, record: Maker) -> None:
    post_one_test_with(fleet_api, record, "K-1", "K-2")
    before = fleet_api.manager.get("/v1/kits").json()
    publish_kits(fleet_api, LOW)
    answer = fleet_api.manager.get("/v1/kits").json()

    assert (before["as_of"], before["snapshot"]) == (None, None)
    assert [kit["bias_pct"] for kit in before["items"]] == [None, None]
    assert answer["as_of"] == "2025-04-01T00:00:00Z"
    low, unknown = answer["items"]
    said = {name: low[name] for name in ("bias_pct", "sd_bias_pct", "reads_off", "off_since")}
    assert said == {
        "bias_pct": -5.5,
        "sd_bias_pct": 0.5,
        "reads_off": True,
        "off_since": "2025-02-01T08:00:00Z",
    }
    assert (low["n_tests"], low["n_tests_judged"], low["verdicts_touched"]) == (1, 40, 7)
    assert (unknown["bias_pct"], unknown["reads_off"], unknown["n_tests"]) == (None, False, 1)


def test_only_the_kits_that_read_off_can_be_asked_for(fleet_api: Any, record: Maker) -> None:
    post_one_test_with(fleet_api, record, "K-1", "K-2")
    publish_kits(fleet_api, LOW)

    def kits(query: str) -> list[str]:
        return [kit["kit"] for kit in fleet_api.manager.get(f"/v1/kits?{query}").json()["items"]]

    assert kits("reads_off=true") == ["K-1"]
    assert kits("reads_off=false") == ["K-2"]
    assert fleet_api.manager.get("/v1/kits?reads_off=perhaps").status_code == 422


def test_a_workshop_may_not_list_kits(fleet_api: Any) -> None:
    workshop = fleet_api.client(fleet_api.token("workshop", workshop_name="North"))
    assert workshop.get("/v1/kits").status_code == 403
