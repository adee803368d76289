"""Batches over HTTP: an answer per line, in order, while more lines come."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest

from api import batch as batch_module
from api.examples import DOCUMENTS
from fleetdb.records.documents import Kind

Maker = Callable[..., dict[str, Any]]
NDJSON = {"Content-Type": "application/x-ndjson"}
PATH = "/v1/test-records/batch"


def answers_of(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_every_line_is_answered_in_order(any_fleet_api: Any, record: Maker) -> None:
    client = any_fleet_api.manager
    good, twice = record(kit=None), record()
    lines = [
        json.dumps(good),
        "{",
        "",
        json.dumps(twice),
        json.dumps({**twice, "odometer_km": 1}),
        json.dumps(twice),
        json.dumps(record(vehicle="V-9")),
    ]
    answer = client.post(PATH, content="\n".join(lines), headers=NDJSON)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/x-ndjson"
    got = answers_of(answer.text)
    assert [(a["line"], a["status"], a["outcome"]) for a in got] == [
        (1, 201, "accepted"),
        (2, 422, "refused"),
        (4, 201, "accepted"),
        (5, 409, "refused"),
        (6, 200, "already_there"),
        (7, 422, "refused"),
    ]
    assert got[0]["record_id"] == good["record_id"]
    assert [remark["code"] for remark in got[0]["remarks"]] == ["no_kit"]
    assert got[5]["problems"][0]["pointer"] == "/vehicle"
    assert len(client.get("/v1/test-records").json()["items"]) == 2


@pytest.mark.parametrize("kind", [k for k in Kind if k is not Kind.TEST_RECORDS])
def test_every_kind_has_a_batch(api: Any, kind: Kind) -> None:
    if kind not in (Kind.PUMP_FAMILIES, Kind.KIT_CALIBRATIONS):
        api.post_examples(Kind.PUMP_FAMILIES)
    if kind in (Kind.FITMENTS, Kind.FINDINGS):
        api.post_examples(Kind.VEHICLES)
    path = f"/v1/{kind.value.replace('_', '-')}/batch"
    line = json.dumps(DOCUMENTS[kind]) + "\n"
    outcomes = [
        a["outcome"]
        for a in answers_of(api.manager.post(path, content=line * 2, headers=NDJSON).text)
    ]
    assert outcomes == ["accepted", "already_there"]


def test_a_long_body_sent_before_reading_answers_is_taken_whole(
    fleet_api: Any, record: Maker
) -> None:
    # httpx sends everything before it reads: a server that waited for its answers to
    # be read would stop it for ever.
    def chunks() -> Iterator[bytes]:
        for _ in range(3_000):
            yield json.dumps(record(kit=None)).encode() + b"\n"

    answer = fleet_api.manager.post(PATH, content=chunks(), headers=NDJSON, timeout=60)
    got = answers_of(answer.text)
    assert [a["line"] for a in got] == list(range(1, 3_001))
    assert {a["outcome"] for a in got} == {"accepted"}


def test_a_line_is_answered_before_the_body_ends(fleet_api: Any, record: Maker) -> None:
    host = urlsplit(fleet_api.url).netloc
    token = fleet_api.token("workshop")
    with socket.create_connection(host.split(":"), timeout=20) as connection:
        head = (
            f"POST {PATH} HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\n"
            "Content-Type: application/x-ndjson\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        connection.sendall(head.encode())
        answered = b""
        for number in (1, 2):
            line = json.dumps(record()).encode() + b"\n"
            connection.sendall(b"%x\r\n%s\r\n" % (len(line), line))
            while b'"line": %d' % number not in answered:
                piece = connection.recv(65_536)
                assert piece, answered
                answered += piece
        connection.sendall(b"0\r\n\r\n")
        while not answered.endswith(b"0\r\n\r\n"):
            answered += connection.recv(65_536)
    assert answered.startswith(b"HTTP/1.1 200")


def test_a_line_cut_off_with_its_connection_is_not_stored(fleet_api: Any, record: Maker) -> None:
    host = urlsplit(fleet_api.url).netloc
    token = fleet_api.token("workshop")
    whole, cut = record(), record()
    body = json.dumps(whole).encode() + b"\n" + json.dumps(cut).encode()
    with socket.create_connection(host.split(":"), timeout=20) as connection:
        head = (
            f"POST {PATH} HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\n"
            f"Content-Type: application/x-ndjson\r\nContent-Length: {len(body) + 10}\r\n\r\n"
        )
        connection.sendall(head.encode() + body)
        answered = b""
        while b'"line": 1' not in answered:
            answered += connection.recv(65_536)
    client = fleet_api.manager
    assert client.get(f"/v1/test-records/{whole['record_id']}").status_code == 200
    assert client.get(f"/v1/test-records/{cut['record_id']}").status_code == 404


def test_a_line_over_the_limit_is_refused_and_the_next_one_is_not(
    fleet_api: Any, record: Maker
) -> None:
    long = json.dumps(record(note="x" * (1 << 20)))
    body = f"{long}\n{json.dumps(record())}\n"
    got = answers_of(fleet_api.manager.post(PATH, content=body, headers=NDJSON).text)
    assert [(a["status"], a["outcome"]) for a in got] == [(413, "refused"), (201, "accepted")]
    assert "1048576 bytes" in got[0]["problems"][0]["detail"]


def test_a_store_that_fails_is_told_line_by_line(
    fleet_api: Any, record: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> list[Any]:
        raise OSError("no space left on /secret")

    monkeypatch.setattr(batch_module, "accept_many", fail)
    answer = fleet_api.manager.post(PATH, content=json.dumps(record()) + "\n[]", headers=NDJSON)
    got = answers_of(answer.text)
    assert [(a["status"], a["outcome"]) for a in got] == [(500, "failed"), (422, "refused")]
    assert "secret" not in answer.text
