"""Who may do what: every route for every role, and no fleet sees another's data."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
import pytest

from api.app import create_app
from api.examples import DOCUMENTS, TOKEN, TRACE, VEHICLE_AMENDMENT, VOID
from fleetdb.records.documents import Kind
from fleetdb.settings import Settings

Maker = Callable[..., dict[str, Any]]
RECORD_ID = DOCUMENTS[Kind.TEST_RECORDS]["record_id"]
NOBODY, WORKSHOP, MANAGER, ADMIN = "nobody", "workshop", "manager", "admin"
ALL = {WORKSHOP, MANAGER, ADMIN}
FLEET = {MANAGER, ADMIN}

# Each route of the API: an address that leads to it, a body, and the roles it lets in.
ROUTES: dict[tuple[str, str], tuple[str, Any, set[str]]] = {
    ("GET", "/healthz"): ("/healthz", None, ALL | {NOBODY}),
    ("GET", "/readyz"): ("/readyz", None, ALL | {NOBODY}),
    ("GET", "/metrics"): ("/metrics", None, ALL | {NOBODY}),
    ("GET", "/v1/kits"): ("/v1/kits", None, FLEET),
    ("GET", "/v1/verdicts"): ("/v1/verdicts", None, FLEET),
    ("GET", "/v1/scorecard"): ("/v1/scorecard", None, FLEET),
    ("GET", "/v1/tokens"): ("/v1/tokens", None, {ADMIN}),
    ("POST", "/v1/tokens"): ("/v1/tokens", TOKEN, {ADMIN}),
    ("POST", "/v1/tokens/{token_id}/revoke"): ("/v1/tokens/999/revoke", {}, {ADMIN}),
    ("POST", "/v1/vehicles/{vehicle}/amendments"): (
        "/v1/vehicles/V-0107/amendments",
        VEHICLE_AMENDMENT,
        FLEET,
    ),
    ("GET", "/v1/vehicles/{vehicle}/history"): ("/v1/vehicles/V-0107/history", None, FLEET),
    ("GET", "/v1/vehicles/{vehicle}/verdict"): ("/v1/vehicles/V-0107/verdict", None, ALL),
}
_TRACES = f"/v1/test-records/{RECORD_ID}/traces"
_ONE_TRACE = f"{_TRACES}/{TRACE['trace_id']}"
ROUTES |= {
    ("POST", "/v1/test-records/{record_id}/traces"): (_TRACES, TRACE, ALL),
    ("GET", "/v1/test-records/{record_id}/traces"): (_TRACES, None, ALL),
    ("GET", "/v1/test-records/{record_id}/traces/{trace_id}"): (_ONE_TRACE, None, ALL),
    ("GET", "/v1/test-records/{record_id}/traces/{trace_id}/original"): (
        f"{_ONE_TRACE}/original",
        None,
        ALL,
    ),
    ("GET", "/v1/test-records/{record_id}/traces/{trace_id}/picture.svg"): (
        f"{_ONE_TRACE}/picture.svg",
        None,
        ALL,
    ),
}
for _path, _kind, _id_field, _posters, _readers in (
    ("pump-families", Kind.PUMP_FAMILIES, "pump_family", FLEET, FLEET),
    ("vehicles", Kind.VEHICLES, "vehicle", FLEET, FLEET),
    ("kit-calibrations", Kind.KIT_CALIBRATIONS, "calibration_id", FLEET, FLEET),
    ("fitments", Kind.FITMENTS, "fitment_id", ALL, FLEET),
    ("test-records", Kind.TEST_RECORDS, "record_id", ALL, ALL),
    ("findings", Kind.FINDINGS, "finding_id", ALL, FLEET),
):
    _one = f"/v1/{_path}/{DOCUMENTS[_kind][_id_field]}"
    ROUTES["GET", f"/v1/{_path}"] = (f"/v1/{_path}", None, _readers)
    ROUTES["POST", f"/v1/{_path}"] = (f"/v1/{_path}", DOCUMENTS[_kind], _posters)
    ROUTES["POST", f"/v1/{_path}/batch"] = (f"/v1/{_path}/batch", b"", _posters)
    ROUTES["GET", f"/v1/{_path}/{{{_id_field}}}"] = (_one, None, _readers)
    if _kind not in (Kind.PUMP_FAMILIES, Kind.VEHICLES):
        ROUTES["POST", f"/v1/{_path}/{{{_id_field}}}/void"] = (f"{_one}/void", VOID, FLEET)


def ask(client: httpx.Client, method: str, address: str, body: Any) -> httpx.Response:
    if isinstance(body, bytes):
        headers = {"Content-Type": "application/x-ndjson"}
        return client.request(method, address, content=body, headers=headers)
    return client.request(method, address, json=body)


def test_the_matrix_has_every_route(sqlite_settings: Settings) -> None:
    document = create_app(sqlite_settings).openapi()
    served = {
        (method.upper(), path)
        for path, operations in document["paths"].items()
        for method in operations
    }
    assert served == ROUTES.keys()


def test_each_route_lets_its_roles_in_and_no_other(fleet_api: Any) -> None:
    clients = {role: fleet_api.as_role(role) for role in ALL} | {NOBODY: fleet_api.client()}
    for (method, template), (address, body, allowed) in ROUTES.items():
        for role, client in clients.items():
            answer = ask(client, method, address, body)
            if role in allowed:
                assert answer.status_code not in (401, 403), (method, template, role)
            else:
                expected = 401 if role == NOBODY else 403
                assert answer.status_code == expected, (method, template, role)


@pytest.mark.parametrize(
    ("header", "challenge"),
    [
        (None, 'Bearer realm="fleetdb"'),
        ("Basic dTpw", 'Bearer realm="fleetdb"'),
        ("Bearer flt_wrong", 'Bearer realm="fleetdb", error="invalid_token"'),
        ("Bearer", 'Bearer realm="fleetdb"'),
    ],
)
def test_who_cannot_be_known_is_challenged(api: Any, header: str | None, challenge: str) -> None:
    headers = {"Authorization": header} if header else {}
    answer = api.client().get("/v1/kits", headers=headers)
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"] == challenge
    assert "flt_wrong" not in answer.text


def test_a_body_is_not_read_from_who_cannot_be_known(api: Any) -> None:
    headers = {"Content-Type": "text/plain"}
    assert api.client().post("/v1/fitments", content=b"x", headers=headers).status_code == 401


def test_fleets_do_not_see_each_other(any_fleet_api: Any, record: Maker) -> None:
    api = any_fleet_api
    api.add_fleet("north")
    north = api.client(api.token("admin", ["north"]))
    document = record()
    assert api.manager.post("/v1/test-records", json=document).status_code == 201
    traces = f"/v1/test-records/{document['record_id']}/traces"
    assert api.manager.post(traces, json=TRACE).status_code == 201
    api.post_examples(Kind.FITMENTS, Kind.FINDINGS, Kind.KIT_CALIBRATIONS)
    for (method, template), (address, _, _) in ROUTES.items():
        if method == "GET" and template.startswith("/v1/") and "{" in template:
            answer = north.get(address.replace(RECORD_ID, document["record_id"]))
            assert answer.status_code == 404, template
    for path in ("pump-families", "vehicles", "fitments", "test-records", "findings", "kits"):
        assert north.get(f"/v1/{path}").json()["items"] == []
    void = f"/v1/test-records/{document['record_id']}/void"
    assert north.post(void, json=VOID).status_code == 404
    assert north.post(traces, json=TRACE).status_code == 404
    amendment = "/v1/vehicles/V-0107/amendments"
    assert north.post(amendment, json=VEHICLE_AMENDMENT).status_code in (404, 422)
    assert [t["label"] for t in north.get("/v1/tokens").json()["items"]] == ["admin"]
    # The same ids may be used there, for something else.
    for kind in (Kind.PUMP_FAMILIES, Kind.VEHICLES):
        answer = north.post(f"/v1/{kind.value.replace('_', '-')}", json=DOCUMENTS[kind])
        assert answer.status_code == 201
    other = {**document, "odometer_km": 5}
    assert north.post("/v1/test-records", json=other).status_code == 201
    kept = api.manager.get(f"/v1/test-records/{document['record_id']}").json()
    assert kept["document"]["odometer_km"] == document["odometer_km"]


def test_a_token_of_several_fleets_names_one(api: Any) -> None:
    api.add_fleet("north")
    both = api.client(api.token("manager", ["fleet", "north"]))
    unnamed = both.get("/v1/vehicles")
    assert unnamed.status_code == 422
    assert unnamed.json()["errors"][0]["parameter"] == "fleet"
    assert both.get("/v1/vehicles", headers={"Fleet": "north"}).status_code == 200
    assert both.get("/v1/vehicles?fleet=north").status_code == 200
    family = DOCUMENTS[Kind.PUMP_FAMILIES]
    assert both.post("/v1/pump-families?fleet=north", json=family).status_code == 201
    assert len(both.get("/v1/pump-families?fleet=north").json()["items"]) == 1
    assert both.get("/v1/pump-families", headers={"Fleet": "fleet"}).json()["items"] == []


def test_a_fleet_of_others_looks_like_one_that_is_not_there(api: Any) -> None:
    api.add_fleet("north")
    answers = [
        api.manager.get("/v1/vehicles", params={"fleet": name}) for name in ("north", "none")
    ]
    assert [answer.status_code for answer in answers] == [404, 404]
    details = [answer.json()["detail"] for answer in answers]
    assert details[0].replace("north", "none") == details[1]
