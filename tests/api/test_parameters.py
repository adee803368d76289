"""A parameter that a route does not know is refused, with those that it knows."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.test_errors import assert_is_problem

LISTS = (
    "pump-families",
    "vehicles",
    "kit-calibrations",
    "fitments",
    "test-records",
    "findings",
    "verdicts",
    "kits",
    "scorecard",
)


@pytest.mark.parametrize("path", LISTS)
def test_a_list_refuses_a_parameter_it_does_not_know(api: Any, path: str) -> None:
    problem = assert_is_problem(api.manager.get(f"/v1/{path}?vehcile=V-1"), 422)

    [error] = problem["errors"]
    assert error["parameter"] == "vehcile"
    assert "allowed: " in error["detail"] and "fleet" in error["detail"]


def test_the_parameters_allowed_are_named(api: Any) -> None:
    problem = assert_is_problem(api.manager.get("/v1/fitments?vehcile=V-1"), 422)

    [error] = problem["errors"]
    assert error["detail"].endswith(
        "allowed: cursor, fleet, from_time, limit, part, until_time, vehicle"
    )


def test_every_address_of_the_contract_refuses_what_it_does_not_know(api: Any) -> None:
    described = api.manager.get("/openapi.json").json()["paths"]
    addresses = [path for path, methods in described.items() if "get" in methods]
    assert len(addresses) > 15
    for path in addresses:
        answer = api.as_role("admin").get(path.replace("{", "").replace("}", "") + "?surprise=1")
        problem = assert_is_problem(answer, 422)
        assert "surprise" in [error["parameter"] for error in problem["errors"]], path


def test_a_parameter_read_once_may_not_come_twice(api: Any) -> None:
    answer = api.manager.get("/v1/fitments?vehicle=V-1&vehicle=V-2")

    [error] = assert_is_problem(answer, 422)["errors"]
    assert error == {"parameter": "vehicle", "detail": "is given 2 times; it is read once"}
    assert api.manager.get("/v1/vehicles?limit=1&fleet=main&fleet=main").status_code == 422


def test_a_parameter_read_as_a_list_may_come_often(api: Any) -> None:
    answer = api.manager.get("/v1/verdicts?state=book_in&state=watch")

    # Nothing has been published yet; the parameters are not what is refused.
    assert answer.status_code == 404


def test_a_post_refuses_what_it_does_not_know_and_stores_nothing(
    fleet_api: Any, record: Any
) -> None:
    document = record()

    answer = fleet_api.manager.post("/v1/test-records?dry_run=1", json=document)

    assert [e["parameter"] for e in assert_is_problem(answer, 422)["errors"]] == ["dry_run"]
    path = f"/v1/test-records/{document['record_id']}"
    assert fleet_api.manager.get(path).status_code == 404
