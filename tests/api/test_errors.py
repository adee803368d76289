"""Every error is one shape: RFC 9457."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
import pytest
from sqlalchemy.exc import OperationalError

import api.errors as errors_module
from api.errors import TABLE, problem_of, shape_of
from fleetdb.errors import FleetDbError, InvalidInputError, Problem, SettingError

Maker = Callable[..., dict[str, Any]]
# RFC 9457 section 3: the members and their types, as in its first example (type, title,
# status, detail, instance); the status must equal the HTTP status (read in the
# working group's draft by the maintainers).
MEMBERS = {"type": str, "title": str, "status": int, "detail": str, "instance": str}


def assert_is_problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    problem = answer.json()
    for name, kind in MEMBERS.items():
        assert isinstance(problem[name], kind), name
    assert problem["status"] == status
    assert problem["type"].startswith("urn:fleetdb:problem:")
    assert problem.keys() <= MEMBERS.keys() | {"errors"}
    for error in problem.get("errors", []):
        assert error["detail"]
        assert error.keys() in ({"pointer", "detail"}, {"parameter", "detail"})
    return problem


def test_endpoint_after_endpoint_answers_errors_in_one_shape(fleet_api: Any, record: Maker) -> None:
    manager, nobody = fleet_api.manager, fleet_api.client()
    conflict = record()
    assert manager.post("/v1/test-records", json=conflict).status_code == 201
    ndjson = {"Content-Type": "application/x-ndjson"}
    json_type = {"Content-Type": "application/json"}
    too_long = b'{"note": "' + b"x" * (1 << 20) + b'"}'
    tried: list[tuple[int, httpx.Response]] = [
        (401, nobody.get("/v1/vehicles")),
        (403, manager.get("/v1/tokens")),
        (404, manager.get("/v1")),
        (404, manager.get("/v1/vehicles/V-1/history")),
        (404, manager.get("/v1/vehicles/", follow_redirects=False)),
        (405, manager.delete("/v1/test-records/" + conflict["record_id"])),
        (405, manager.put("/v1/vehicles", json={})),
        (409, manager.post("/v1/test-records", json={**conflict, "odometer_km": 1})),
        (413, manager.post("/v1/fitments", content=too_long, headers=json_type)),
        (413, manager.post("/v1/fitments", content=iter([too_long]), headers=json_type)),
        (415, manager.post("/v1/fitments", data={"a": "b"})),
        (415, manager.post("/v1/fitments/batch", json={})),
        (415, manager.post("/v1/fitments", json={}, headers={"Content-Encoding": "gzip"})),
        (422, manager.post("/v1/fitments", json={})),
        (422, manager.get("/v1/fitments/not-a-uuid")),
        (422, manager.get("/v1/test-records?limit=0")),
        (422, manager.get("/v1/test-records?from_time=yesterday")),
        (422, manager.get("/v1/test-records?vehicle=%00")),
        (422, manager.get("/v1/vehicles/%00")),
        (422, manager.get("/v1/vehicles/V-0107/verdict?as_of=2025-13-01")),
        (422, manager.post("/v1/fitments", json={}, headers={"Idempotency-Key": '"'})),
        (404, manager.post("/v1/nothing", content=b"{}", headers=ndjson)),
    ]
    for status, answer in tried:
        assert_is_problem(answer, status)


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("limit=many", "limit"),
        ("limit=1001", "limit"),
        ("cursor=@@", "cursor"),
        ("cursor=WyJhIiwgW11d", "cursor"),
        ("part=wheel", "part"),
        ("until_time=2025-01-01", "until_time"),
    ],
)
def test_a_bad_parameter_is_named(api: Any, query: str, parameter: str) -> None:
    problem = assert_is_problem(api.manager.get(f"/v1/fitments?{query}"), 422)
    assert [error["parameter"] for error in problem["errors"]] == [parameter]


def test_the_instance_is_the_path_as_it_was_sent(api: Any) -> None:
    # RFC 9457 section 3.1.5: a URI reference.
    for path in ("/v1/vehicles/12%2F3/history", "/v1/vehicles/caf%C3%A9", "/v1/no%2fthing"):
        problem = assert_is_problem(api.manager.get(path), 404)
        assert problem["instance"] == path


def test_each_bad_field_has_its_pointer(fleet_api: Any, record: Maker) -> None:
    wrong = record(odometer_km="far", proof={"target_bar": 700, "actual_bar": -1})
    problem = assert_is_problem(fleet_api.manager.post("/v1/test-records", json=wrong), 422)
    assert {error["pointer"] for error in problem["errors"]} == {
        "/odometer_km",
        "/proof/actual_bar",
    }


def test_an_unforeseen_failure_tells_no_secret(
    api: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError("password=hunter2")

    monkeypatch.setattr("api.routes.kits.list_kits", fail)
    problem = assert_is_problem(api.manager.get("/v1/kits"), 500)
    assert "hunter2" not in str(problem)
    assert problem["instance"].startswith("urn:uuid:")
    assert problem["instance"] in caplog.text


def test_a_store_that_cannot_answer_is_told_as_passing(
    api: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise OperationalError("SELECT 1", {}, Exception("database is locked at /secret"))

    monkeypatch.setattr("api.routes.kits.list_kits", fail)
    answer = api.manager.get("/v1/kits")
    problem = assert_is_problem(answer, 503)
    assert answer.headers["Retry-After"] == "5"
    assert "secret" not in str(problem)


def test_every_error_of_the_project_has_a_status() -> None:
    def leaves(cls: type[Exception]) -> set[type[Exception]]:
        return {cls}.union(*(leaves(sub) for sub in cls.__subclasses__()))

    statuses = {
        cls.__name__: TABLE[next(c for c in cls.__mro__ if c in TABLE)].status
        for cls in leaves(FleetDbError)
    }
    assert statuses["SameIdOtherBodyError"] == 409
    assert statuses["KeyInUseError"] == 409
    assert statuses["NotFoundError"] == 404
    assert all(400 <= status <= 599 for status in statuses.values())


def test_a_setting_error_keeps_its_detail_to_the_log() -> None:
    error = SettingError("FLEETDB_DATABASE_URL is wrong: secret")
    assert shape_of(error).status == 500
    assert "secret" not in str(problem_of(error, "/"))


def test_the_root_pointer_is_the_whole_document() -> None:
    error = InvalidInputError([Problem("", "holds no reading")])
    assert problem_of(error, "/x")["errors"] == [{"pointer": "", "detail": "holds no reading"}]
    assert errors_module.MEDIA_TYPE == "application/problem+json"
