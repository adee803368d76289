"""One answer for one Idempotency-Key.

The rules checked are those of the IETF draft on the Idempotency-Key header: the same
key with another payload 422, the first request still in progress 409, a completed one
answered again with the stored result (read in the draft by the maintainers).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select, update

from api.errors import ParameterError
from api.once import parse_key
from fleetdb.report import receipt as receipt_module
from fleetdb.store.tables import AccessToken, IdempotencyKey

Maker = Callable[..., dict[str, Any]]
KEY = {"Idempotency-Key": '"8e03978e"'}


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('"8e03978e-40d5"', "8e03978e-40d5"),
        ("8e03978e-40d5", "8e03978e-40d5"),
        ('"a b"', "a b"),
        (r'"a\"b\\c"', r'a"b\c'),
        ('"' + "x" * 255 + '"', "x" * 255),
    ],
)
def test_a_key_is_read_quoted_or_bare(text: str, key: str) -> None:
    assert parse_key(text) == key


@pytest.mark.parametrize("text", ["", '""', '"a', r'"a\b"', "a b", '"é"', '"' + "x" * 256 + '"'])
def test_what_is_no_structured_string_is_refused(text: str) -> None:
    with pytest.raises(ParameterError):
        parse_key(text)


def test_a_retry_gets_the_stored_answer(any_fleet_api: Any, record: Maker) -> None:
    client = any_fleet_api.manager
    document = record()
    first = client.post("/v1/test-records", json=document, headers=KEY)
    again = client.post("/v1/test-records", json=document, headers=KEY)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again.headers["Location"] == first.headers["Location"]
    bare = {"Idempotency-Key": "8e03978e"}
    assert client.post("/v1/test-records", json=document, headers=bare).status_code == 201


def test_another_request_under_the_key_is_refused_and_not_carried_out(
    any_fleet_api: Any, record: Maker
) -> None:
    client = any_fleet_api.manager
    document, other = record(), record()
    client.post("/v1/test-records", json=document, headers=KEY)
    for address, body in (("/v1/test-records", other), ("/v1/findings", document)):
        answer = client.post(address, json=body, headers=KEY)
        assert answer.status_code == 422
        assert answer.json()["type"] == "urn:fleetdb:problem:idempotency-key-reused"
    assert client.get(f"/v1/test-records/{other['record_id']}").status_code == 404


def test_a_retry_that_prefers_another_form_gets_the_first_answer(
    fleet_api: Any, record: Maker
) -> None:
    # draft-ietf-httpapi-idempotency-key-header-07: the fingerprint is of the payload, and a
    # retry gets the result of the completed request; RFC 7240 section 2: a preference
    # may be left unheeded, and section 3: Preference-Applied says which were heeded.
    client, document = fleet_api.manager, record()
    minimal = {**KEY, "Prefer": "return=minimal"}
    first = client.post("/v1/test-records", json=document, headers=minimal)
    again = client.post("/v1/test-records", json=document, headers=KEY)

    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again.headers["Preference-Applied"] == "return=minimal"
    without_key = client.post("/v1/test-records", json=document)
    assert without_key.status_code == 200
    assert "verdict" in without_key.json()


def test_a_refused_request_frees_its_key(fleet_api: Any, record: Maker) -> None:
    client = fleet_api.manager
    wrong = record(vehicle="V-9999")
    assert client.post("/v1/test-records", json=wrong, headers=KEY).status_code == 422
    assert client.post("/v1/test-records", json=record(), headers=KEY).status_code == 201


def test_a_key_belongs_to_its_token(fleet_api: Any, record: Maker) -> None:
    other = fleet_api.client(fleet_api.token("manager"))
    assert fleet_api.manager.post("/v1/test-records", json=record(), headers=KEY).status_code == 201
    assert other.post("/v1/test-records", json=record(), headers=KEY).status_code == 201


def test_a_retry_while_the_first_is_in_progress_conflicts(
    fleet_api: Any, record: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    document = record()
    begun, go_on = threading.Event(), threading.Event()

    def wait(*_: Any) -> dict[str, Any]:
        begun.set()
        assert go_on.wait(20)
        return {"state": "unproven"}

    monkeypatch.setattr(receipt_module, "current_verdict", wait)
    answers: list[Any] = []
    first = threading.Thread(
        target=lambda: answers.append(
            fleet_api.manager.post("/v1/test-records", json=document, headers=KEY)
        )
    )
    first.start()
    try:
        assert begun.wait(20)
        retry = fleet_api.manager.post("/v1/test-records", json=document, headers=KEY)
    finally:
        go_on.set()
        first.join(20)
    assert retry.status_code == 409
    assert retry.json()["type"] == "urn:fleetdb:problem:conflict"
    assert answers[0].status_code == 201


def test_a_key_abandoned_by_a_dead_process_can_be_taken_over(
    any_fleet_api: Any, record: Maker
) -> None:
    client = any_fleet_api.manager
    document = record()
    client.post("/v1/test-records", json=document, headers=KEY)
    with any_fleet_api.store.write() as session:
        # As a process leaves it that died before it could answer.
        earlier = datetime.now(UTC) - timedelta(minutes=2)
        session.execute(update(IdempotencyKey).values(status=0, body="", created_at=earlier))
    assert client.post("/v1/test-records", json=document, headers=KEY).status_code == 200


def test_a_key_is_forgotten_after_a_day(any_fleet_api: Any, record: Maker) -> None:
    client = any_fleet_api.manager
    client.post("/v1/test-records", json=record(), headers=KEY)
    with any_fleet_api.store.write() as session:
        long_ago = datetime.now(UTC) - timedelta(hours=25)
        session.execute(update(IdempotencyKey).values(created_at=long_ago))
    assert client.post("/v1/test-records", json=record(), headers=KEY).status_code == 201


def test_a_token_is_made_once_and_its_secret_is_not_kept(any_api: Any) -> None:
    admin = any_api.as_role("admin")
    body = {"label": "bench", "role": "workshop"}
    first = admin.post("/v1/tokens", json=body, headers=KEY)
    again = admin.post("/v1/tokens", json=body, headers=KEY)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json() == first.json() | {"token": None}
    with any_api.store.read() as session:
        kept = session.scalars(select(IdempotencyKey.body)).one()
        benches = select(func.count()).select_from(AccessToken).where(AccessToken.label == "bench")
        assert session.scalar(benches) == 1
    assert first.json()["token"] not in kept
