"""Tokens over HTTP: made, listed, revoked, within the administrator's fleets."""

from __future__ import annotations

from typing import Any

import pytest


def test_a_token_works_until_it_is_revoked(any_api: Any) -> None:
    admin = any_api.as_role("admin")
    made = admin.post("/v1/tokens", json={"label": "bench", "role": "manager"})
    assert made.status_code == 201
    assert made.headers["cache-control"] == "no-store"
    secret = made.json()["token"]
    bench = any_api.client(secret)
    assert bench.get("/v1/vehicles").status_code == 200
    address = f"/v1/tokens/{made.json()['token_id']}/revoke"
    revoked = admin.post(address)
    assert revoked.status_code == 200
    assert revoked.json()["revoked_at"] is not None
    assert bench.get("/v1/vehicles").status_code == 401
    assert admin.post(address).json() == revoked.json()


def test_the_list_shows_every_token_and_no_secret(any_api: Any) -> None:
    admin = any_api.as_role("admin")
    body = {
        "label": "north bench",
        "role": "workshop",
        "workshop_name": "North",
        "expires_at": "2094-01-01T00:00:00+01:00",
    }
    made = admin.post("/v1/tokens", json=body).json()
    listed = admin.get("/v1/tokens")
    assert [t["label"] for t in listed.json()["items"]] == ["manager", "admin", "north bench"]
    assert listed.json()["items"][2] == {k: v for k, v in made.items() if k != "token"}
    assert listed.json()["items"][2]["expires_at"] == "2093-12-31T23:00:00Z"
    assert "token_sha256" not in listed.text and made["token"] not in listed.text


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"label": ""}, "/label"),
        ({"role": "owner"}, "/role"),
        ({"fleets": []}, "/fleets"),
        ({"fleets": ["fleet", "none"]}, "/fleets/1"),
        ({"expires_at": "2001-01-01T00:00:00Z"}, "/expires_at"),
        ({"expires_at": "2094-01-01"}, "/expires_at"),
        ({"workshop_name": " North"}, "/workshop_name"),
        ({"colour": "red"}, "/colour"),
    ],
)
def test_a_bad_token_request_is_refused_at_its_field(
    api: Any, changes: dict[str, Any], pointer: str
) -> None:
    admin = api.as_role("admin")
    answer = admin.post("/v1/tokens", json={"label": "x", "role": "manager", **changes})
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
    assert len(admin.get("/v1/tokens").json()["items"]) == 2


def test_an_administrator_reaches_tokens_of_its_own_fleets_only(api: Any) -> None:
    admin = api.as_role("admin")
    api.add_fleet("north")
    north = api.client(api.token("admin", ["north"]))
    both = api.client(api.token("admin", ["fleet", "north"]))
    of_north = north.post("/v1/tokens", json={"label": "n", "role": "manager"}).json()
    of_both = both.post(
        "/v1/tokens?fleet=north",
        json={"label": "b", "role": "manager", "fleets": ["fleet", "north"]},
    ).json()
    assert of_both["fleets"] == ["fleet", "north"]
    assert admin.post(f"/v1/tokens/{of_north['token_id']}/revoke").status_code == 404
    assert admin.post(f"/v1/tokens/{of_both['token_id']}/revoke").status_code == 403
    refused = admin.post("/v1/tokens", json={"label": "x", "role": "manager", "fleets": ["north"]})
    assert refused.status_code == 422
    listed = {t["label"]: t["fleets"] for t in admin.get("/v1/tokens").json()["items"]}
    assert listed["b"] == ["fleet"] and "n" not in listed
    ended = both.post(f"/v1/tokens/{of_both['token_id']}/revoke?fleet=fleet")
    assert ended.status_code == 200
