"""What a workshop's token may send and see."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from typing import Any

from api.examples import DOCUMENTS
from fleetdb.records.documents import Kind

Maker = Callable[..., dict[str, Any]]
MINIMAL = {"Prefer": "return=minimal"}


def test_a_record_without_a_workshop_gets_the_tokens(any_fleet_api: Any, record: Maker) -> None:
    api = any_fleet_api
    north = api.client(api.token("workshop", workshop_name="North"))
    document = record()
    assert north.post("/v1/test-records", json=document, headers=MINIMAL).status_code == 201
    kept = north.get(f"/v1/test-records/{document['record_id']}").json()
    assert kept["document"]["workshop"] == "North"
    assert north.post("/v1/test-records", json=document, headers=MINIMAL).status_code == 200


def test_a_record_that_names_another_workshop_is_refused(fleet_api: Any, record: Maker) -> None:
    north = fleet_api.client(fleet_api.token("workshop", workshop_name="North"))
    answer = north.post("/v1/test-records", json=record(workshop="South"))
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == ["/workshop"]
    headers = {"Content-Type": "application/x-ndjson"}
    line = str(record(workshop="South")).replace("'", '"')
    batch = north.post("/v1/test-records/batch", content=line, headers=headers)
    assert batch.json()["problems"][0]["pointer"] == "/workshop"


def test_a_workshop_reads_the_records_it_sent_and_those_of_its_workshop(
    any_fleet_api: Any, record: Maker
) -> None:
    api = any_fleet_api
    north = api.client(api.token("workshop", workshop_name="North"))
    unbound = api.client(api.token("workshop"))
    own = record()
    of_north = record(workshop="North")
    of_unbound = record(workshop="South")
    of_fleet = record()
    for client, document in (
        (north, own),
        (api.manager, of_north),
        (unbound, of_unbound),
        (api.manager, of_fleet),
    ):
        assert client.post("/v1/test-records", json=document, headers=MINIMAL).status_code == 201

    def seen(client: Any) -> set[str]:
        items = client.get("/v1/test-records").json()["items"]
        return {item["document"]["record_id"] for item in items}

    assert seen(north) == {own["record_id"], of_north["record_id"]}
    assert seen(unbound) == {of_unbound["record_id"]}
    assert len(seen(api.manager)) == 4
    for document, status in ((own, 200), (of_north, 200), (of_unbound, 404), (of_fleet, 404)):
        assert north.get(f"/v1/test-records/{document['record_id']}").status_code == status


def test_a_workshop_asks_for_verdicts_of_vehicles_it_has_tested(
    any_fleet_api: Any, record: Maker
) -> None:
    api = any_fleet_api
    workshop = api.as_role("workshop")
    other = DOCUMENTS[Kind.VEHICLES] | {"vehicle": "V-2"}
    assert api.manager.post("/v1/vehicles", json=other).status_code == 201
    assert workshop.post("/v1/test-records", json=record(), headers=MINIMAL).status_code == 201
    assert workshop.get("/v1/vehicles/V-0107/verdict").status_code == 200
    unseen, unknown = (workshop.get(f"/v1/vehicles/{v}/verdict") for v in ("V-2", "V-3"))
    assert unseen.status_code == unknown.status_code == 404
    assert unseen.json()["detail"].replace("V-2", "V-3") == unknown.json()["detail"]


def test_a_workshop_corrects_no_record_it_may_not_see(any_fleet_api: Any, record: Maker) -> None:
    api = any_fleet_api
    north = api.client(api.token("workshop", workshop_name="North"))
    unseen = record(workshop="South")
    assert api.manager.post("/v1/test-records", json=unseen, headers=MINIMAL).is_success

    def refusals(old: str) -> list[Any]:
        correction = record(supersedes=old)
        single = north.post("/v1/test-records", json=correction, headers=MINIMAL)
        assert single.status_code == 422
        batch = north.post(
            "/v1/test-records/batch",
            content=json.dumps(correction),
            headers={"Content-Type": "application/x-ndjson"},
        )
        assert batch.json()["status"] == 422
        problems = [*single.json()["errors"], *batch.json()["problems"]]
        assert [problem["pointer"] for problem in problems] == ["/supersedes"] * 2
        return [problem["detail"].replace(old, "it") for problem in problems]

    as_unknown = refusals(str(uuid.uuid4()))
    assert refusals(unseen["record_id"]) == as_unknown
    corrected = record(workshop="South", supersedes=unseen["record_id"])
    assert api.manager.post("/v1/test-records", json=corrected, headers=MINIMAL).is_success
    assert refusals(unseen["record_id"]) == as_unknown


def test_a_workshop_is_told_of_its_own_corrections_only(any_fleet_api: Any, record: Maker) -> None:
    api = any_fleet_api
    north = api.client(api.token("workshop", workshop_name="North"))
    for corrector, is_told in ((north, True), (api.manager, False)):
        old = record()
        assert north.post("/v1/test-records", json=old, headers=MINIMAL).status_code == 201
        new = record(supersedes=old["record_id"])
        assert corrector.post("/v1/test-records", json=new, headers=MINIMAL).status_code == 201
        answer = north.post("/v1/test-records", json=record(supersedes=old["record_id"]))
        assert answer.status_code == 422
        (error,) = answer.json()["errors"]
        assert error["pointer"] == "/supersedes"
        assert "superseded" in error["detail"]
        assert (new["record_id"] in error["detail"]) is is_told
