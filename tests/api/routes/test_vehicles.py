"""Amendments, history and the verdict of one vehicle."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from api.examples import DOCUMENTS, VEHICLE_AMENDMENT
from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind

Maker = Callable[..., dict[str, Any]]
AMENDMENTS = "/v1/vehicles/V-0107/amendments"


def test_an_amendment_rules_from_now_on_and_the_old_version_stays(any_fleet_api: Any) -> None:
    client = any_fleet_api.manager
    assert client.post(AMENDMENTS, json=VEHICLE_AMENDMENT).status_code == 201
    assert client.post(AMENDMENTS, json=VEHICLE_AMENDMENT).status_code == 200
    got = client.get("/v1/vehicles/V-0107").json()
    assert got["document"]["depot"] == "Harbour Road"
    history = client.get("/v1/vehicles/V-0107/history").json()
    depots = [version["document"]["depot"] for version in history["versions"]]
    assert depots == ["Quarry Lane", "Harbour Road"]
    # Either version sent again is known, and changes nothing.
    assert client.post("/v1/vehicles", json=DOCUMENTS[Kind.VEHICLES]).status_code == 200


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"reason": None}, "/reason"),
        ({"vehicle": "V-2"}, "/vehicle"),
        ({"pump_family": "none"}, "/pump_family"),
        ({"depot": 5}, "/depot"),
    ],
)
def test_a_bad_amendment_is_refused_at_its_field(
    fleet_api: Any, changes: dict[str, Any], pointer: str
) -> None:
    answer = fleet_api.manager.post(AMENDMENTS, json={**VEHICLE_AMENDMENT, **changes})
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
    history = fleet_api.manager.get("/v1/vehicles/V-0107/history").json()
    assert len(history["versions"]) == 1


def test_a_history_holds_everything_in_time_order(any_fleet_api: Any, record: Maker) -> None:
    client = any_fleet_api.manager
    late, early = record(), record(performed_at="2024-01-05T09:00:00+01:00")
    for document in (late, early):
        client.post("/v1/test-records", json=document, headers={"Prefer": "return=minimal"})
    any_fleet_api.post_examples(Kind.FINDINGS, Kind.FITMENTS)
    history = client.get("/v1/vehicles/V-0107/history").json()
    assert history["cautions"] == list(CAUTIONS)
    events = history["events"]
    assert [(event["kind"], event["at"]) for event in events] == [
        ("fitments", "2023-06-19T12:20:00Z"),
        ("test_records", "2024-01-05T08:00:00Z"),
        ("test_records", "2025-03-01T07:30:00Z"),
        ("findings", "2025-05-12T08:00:00Z"),
    ]
    assert events[1]["document"]["record_id"] == early["record_id"]


def test_a_verdict_is_worked_out_from_what_has_just_come(fleet_api: Any, record: Maker) -> None:
    client = fleet_api.manager
    receipt = client.post("/v1/test-records", json=record()).json()
    answer = client.get("/v1/vehicles/V-0107/verdict").json()
    for name in ("vehicle", "state", "n_tests", "last_test_at", "fitted_at"):
        assert answer["verdict"][name] == receipt["verdict"][name]
    assert answer["verdict"]["n_tests"] == 1
    assert answer["cautions"] == receipt["cautions"]


@pytest.mark.parametrize(
    ("as_of", "day"),
    [("2025-02-28", "2025-02-28"), ("2025-03-01T07:30:00%2B00:00", "2025-03-01")],
)
def test_a_verdict_of_a_past_date_can_be_asked_for(
    fleet_api: Any, record: Maker, as_of: str, day: str
) -> None:
    fleet_api.manager.post("/v1/test-records", json=record())
    answer = fleet_api.manager.get(f"/v1/vehicles/V-0107/verdict?as_of={as_of}")
    assert answer.status_code == 200
    assert answer.json()["verdict"]["as_of"] == day


def test_before_its_first_day_a_vehicle_has_no_verdict(fleet_api: Any) -> None:
    answer = fleet_api.manager.get("/v1/vehicles/V-0107/verdict?as_of=2020-01-01")
    assert answer.status_code == 200
    assert answer.json()["verdict"] is None


@pytest.mark.parametrize("as_of", ["", "yesterday", "2025-W01-1", "2025-01-01T00:00:00"])
def test_what_is_no_date_or_time_is_refused(fleet_api: Any, as_of: str) -> None:
    answer = fleet_api.manager.get("/v1/vehicles/V-0107/verdict", params={"as_of": as_of})
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.json()["errors"]] == ["as_of"]
