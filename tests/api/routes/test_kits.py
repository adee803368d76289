"""The list of kits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fleetdb.records.documents import Kind

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
