"""Withdrawing documents over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from api.examples import DOCUMENTS
from api.resources import RESOURCES
from fleetdb.records.documents import Kind
from fleetdb.store.voids import VOIDABLE
from tests.api.test_errors import assert_is_problem

VOIDABLE_RESOURCES = [resource for resource in RESOURCES if resource.kind in VOIDABLE]


@pytest.mark.parametrize("resource", VOIDABLE_RESOURCES, ids=lambda r: r.kind.value)
def test_a_withdrawn_document_is_marked_and_can_still_be_read(
    fleet_api: Any, resource: Any
) -> None:
    fleet_api.post_examples(resource.kind)
    client, document_id = fleet_api.manager, DOCUMENTS[resource.kind][resource.id_field]
    address = f"/v1{resource.path}/{document_id}"

    voided = client.post(f"{address}/void", json={"reason": "other vehicle"})

    assert voided.status_code == 200
    told = voided.json()
    assert told.keys() == {resource.id_field, "reason", "voided_at"}
    assert (told[resource.id_field], told["reason"]) == (document_id, "other vehicle")
    assert client.post(f"{address}/void", json={"reason": "other vehicle"}).json() == told
    for kept in (client.get(address).json(), client.get(f"/v1{resource.path}").json()["items"][0]):
        assert (kept["void_reason"], kept["voided_at"]) == ("other vehicle", told["voided_at"])


@pytest.mark.parametrize("resource", VOIDABLE_RESOURCES, ids=lambda r: r.kind.value)
def test_a_void_that_cannot_be_is_refused(fleet_api: Any, resource: Any) -> None:
    fleet_api.post_examples(resource.kind)
    client, document_id = fleet_api.manager, DOCUMENTS[resource.kind][resource.id_field]
    address = f"/v1{resource.path}/{document_id}"

    problem = assert_is_problem(client.post(f"{address}/void", json={}), 422)
    assert [error["pointer"] for error in problem["errors"]] == ["/reason"]
    unknown = f"/v1{resource.path}/00000000-0000-4000-8000-00000000ffff/void"
    assert_is_problem(client.post(unknown, json={"reason": "why"}), 404)
    assert client.get(address).json()["voided_at"] is None
    assert client.post(f"{address}/void", json={"reason": "why"}).is_success
    assert_is_problem(client.post(f"{address}/void", json={"reason": "another"}), 409)


def test_a_document_that_says_how_things_are_is_not_withdrawn(fleet_api: Any) -> None:
    answer = fleet_api.manager.post("/v1/vehicles/V-0107/void", json={"reason": "sold"})

    assert_is_problem(answer, 404)


def test_a_withdrawn_finding_shows_in_the_vehicles_history(fleet_api: Any) -> None:
    fleet_api.post_examples(Kind.FINDINGS)
    document = DOCUMENTS[Kind.FINDINGS]
    path = f"/v1/findings/{document['finding_id']}/void"
    fleet_api.manager.post(path, json={"reason": "other vehicle"})

    history = fleet_api.manager.get(f"/v1/vehicles/{document['vehicle']}/history").json()

    assert [event["void_reason"] for event in history["events"]] == ["other vehicle"]
