"""Traces over HTTP: sent in every form, kept byte for byte, answered with figures."""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import threading
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from api.examples import TRACE
from fleetdb.cautions import CAUTIONS
from fleetdb.store.sent_traces import LARGEST_TRACE_BYTES
from tests.traces import climb, climb_rate_bar_per_s, trace_document

Maker = Callable[..., dict[str, Any]]
PARQUET = "application/vnd.apache.parquet"
ARROW_FILE = "application/vnd.apache.arrow.file"
ARROW_STREAM = "application/vnd.apache.arrow.stream"


@pytest.fixture
def bare(record: Maker) -> dict[str, Any]:
    """A test record whose figures come by trace."""
    return record(proof=None, build=None, leak=None, traces_follow=True)


def post_record(api: Any, document: dict[str, Any]) -> str:
    answer = api.manager.post("/v1/test-records", json=document)
    assert answer.status_code == 201, answer.text
    return f"/v1/test-records/{document['record_id']}/traces"


def post_bytes(api: Any, address: str, content: bytes, media_type: str, **parameters: Any) -> Any:
    headers = {"Content-Type": media_type}
    return api.manager.post(address, content=content, headers=headers, params=parameters)


def pointers(answer: Any) -> list[str]:
    assert answer.status_code == 422, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    return [error.get("pointer", error.get("parameter")) for error in answer.json()["errors"]]


def csv_of(samples: dict[str, list[float]]) -> bytes:
    lines = [
        ",".join(samples),
        *(",".join(map(repr, row)) for row in zip(*samples.values(), strict=True)),
    ]
    return "\n".join(lines).encode() + b"\n"


def parquet_of(samples: dict[str, list[float]]) -> bytes:
    sink = io.BytesIO()
    pq.write_table(pa.table(samples), sink)
    return sink.getvalue()


def arrow_of(samples: dict[str, list[float]], writer: Any) -> bytes:
    table, sink = pa.table(samples), io.BytesIO()
    with writer(sink, table.schema) as out:
        out.write_table(table)
    return sink.getvalue()


def test_a_trace_is_answered_with_its_figures_and_the_pumps_verdict(
    any_fleet_api: Any, bare: dict[str, Any]
) -> None:
    address = post_record(any_fleet_api, bare)
    document = trace_document(inlet_valve_unplugged=True, trace_id=str(uuid4()))

    answer = any_fleet_api.manager.post(address, json=document)

    assert answer.status_code == 201, answer.text
    receipt = answer.json()
    assert answer.headers["Location"] == f"{address}/{document['trace_id']}"
    # The climb's formula says what must come out (tests/traces.py).
    ratio, build = receipt["record_figures"]["proof_ratio"], receipt["figures"]["build"]
    assert ratio == pytest.approx(650 / 700, rel=0.002)
    assert receipt["record_figures"]["build_rate_bar_per_s"] == pytest.approx(
        climb_rate_bar_per_s(build["from_bar"], build["to_bar"]), rel=0.01
    )
    source = {"trace_id": document["trace_id"], "method": receipt["method"]}
    assert receipt["record_figures_from"] == {
        "proof_ratio": source,
        "build_rate_bar_per_s": source,
    }
    assert receipt["verdict"]["n_tests"] == 1
    assert receipt["verdict"]["last_raw_proof_ratio"] == pytest.approx(ratio)
    assert receipt["cautions"] == list(CAUTIONS)


def test_the_same_trace_again_gets_the_same_receipt_and_another_under_its_id_409(
    any_fleet_api: Any, bare: dict[str, Any]
) -> None:
    address = post_record(any_fleet_api, bare)
    document = trace_document(trace_id=str(uuid4()))
    first = any_fleet_api.manager.post(address, json=document)

    again = any_fleet_api.manager.post(address, content=json.dumps(document, indent=1))
    other = any_fleet_api.manager.post(
        address, json={**document, **climb(640.0), "trace_id": document["trace_id"].upper()}
    )

    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    assert other.status_code == 409
    assert other.json()["errors"][0]["pointer"] == "/trace_id"
    assert len(any_fleet_api.manager.get(address).json()["items"]) == 1


def test_every_form_of_a_trace_is_the_same_trace(fleet_api: Any, bare: dict[str, Any]) -> None:
    address, samples = post_record(fleet_api, bare), climb()
    forms = {
        "text/csv": csv_of(samples),
        PARQUET: parquet_of(samples),
        ARROW_FILE: arrow_of(samples, pa.ipc.new_file),
        ARROW_STREAM: arrow_of(samples, pa.ipc.new_stream),
    }
    as_json = fleet_api.manager.post(address, json={"kind": "proof", **samples})
    assert as_json.status_code == 201, as_json.text

    for media_type, content in forms.items():
        answer = post_bytes(fleet_api, address, content, media_type, kind="proof")
        # No id was sent: it follows from the samples, and so do they all share it.
        assert answer.status_code == 200, (media_type, answer.text)
        assert answer.json()["trace_id"] == as_json.json()["trace_id"]


def test_the_original_comes_back_byte_for_byte(any_fleet_api: Any, bare: dict[str, Any]) -> None:
    address = post_record(any_fleet_api, bare)
    content = b"\xef\xbb\xbf" + csv_of(climb())
    packed = gzip.compress(content)
    headers = {"Content-Type": "text/csv; charset=utf-8", "Content-Encoding": "gzip"}
    posted = any_fleet_api.manager.post(
        address, content=packed, headers=headers, params={"kind": "proof"}
    )
    assert posted.status_code == 201, posted.text
    original = posted.json()["original"]

    got = any_fleet_api.manager.get(f"{address}/{posted.json()['trace_id']}/original")

    assert got.content == content
    assert got.headers["Content-Type"] == original["media_type"] == "text/csv"
    sha256 = hashlib.sha256(content)
    assert original["sha256"] == sha256.hexdigest()
    assert original["size_bytes"] == len(content)
    proof = base64.b64encode(sha256.digest()).decode()
    assert got.headers["Repr-Digest"] == f"sha-256=:{proof}:"


def test_figures_and_picture_of_a_stored_trace_can_be_had(
    fleet_api: Any, bare: dict[str, Any]
) -> None:
    address = post_record(fleet_api, bare)
    receipt = fleet_api.manager.post(address, json=TRACE).json()

    one = fleet_api.manager.get(f"{address}/{TRACE['trace_id']}").json()
    listed = fleet_api.manager.get(address).json()
    picture = fleet_api.manager.get(f"{address}/{TRACE['trace_id']}/picture.svg")

    assert one["figures"] == receipt["figures"] == listed["items"][0]["figures"]
    assert one["earlier_figures"] == []
    assert listed["record_figures"] == receipt["record_figures"]
    assert picture.headers["Content-Type"] == "image/svg+xml"
    assert ElementTree.fromstring(picture.text).tag == "{http://www.w3.org/2000/svg}svg"


def test_the_record_and_its_history_say_where_figures_came_from(
    fleet_api: Any, bare: dict[str, Any]
) -> None:
    address = post_record(fleet_api, bare)
    record_address = address.removesuffix("/traces")
    before = fleet_api.manager.get(record_address).json()
    assert [r["code"] for r in before["remarks"]] == ["no_reading_yet"]
    receipt = fleet_api.manager.post(address, json=TRACE).json()

    after = fleet_api.manager.get(record_address).json()

    assert after["document"] == before["document"]
    assert after["figures"]["proof_ratio"] == pytest.approx(650 / 700, rel=0.01)
    source = {"trace_id": TRACE["trace_id"], "method": receipt["method"]}
    assert after["figures_from"]["proof_ratio"] == source
    assert after["traces"] == [{**source, "kind": "proof", "inlet_valve_unplugged": True}]
    assert after["remarks"] == []


def test_a_figure_sent_by_hand_stays_and_is_remarked(fleet_api: Any, record: Maker) -> None:
    document = record(proof={"target_bar": 700, "actual_bar": 690}, build=None)
    address = post_record(fleet_api, document)

    receipt = fleet_api.manager.post(address, json=trace_document()).json()

    assert [r["pointer"] for r in receipt["remarks"]] == ["/proof/actual_bar"]
    assert receipt["record_figures"]["proof_ratio"] == pytest.approx(690 / 700)
    assert list(receipt["record_figures_from"]) == ["build_rate_bar_per_s"]
    stored = fleet_api.manager.get(address.removesuffix("/traces")).json()
    assert "proof_disagrees_with_trace" in [r["code"] for r in stored["remarks"]]


def test_a_minimal_answer_has_no_verdict(fleet_api: Any, bare: dict[str, Any]) -> None:
    address = post_record(fleet_api, bare)
    minimal = {"Prefer": "return=minimal"}

    first = fleet_api.manager.post(address, json=TRACE, headers=minimal)
    full = fleet_api.manager.post(address, json=TRACE)
    again = fleet_api.manager.post(address, json=TRACE, headers=minimal)

    assert first.headers["Preference-Applied"] == "return=minimal"
    assert "verdict" not in first.json()
    assert full.json()["verdict"]["n_tests"] == 1
    assert again.json() == first.json()


def test_an_idempotency_key_is_honoured(fleet_api: Any, bare: dict[str, Any]) -> None:
    address, keyed = post_record(fleet_api, bare), {"Idempotency-Key": '"a-1"'}

    first = fleet_api.manager.post(address, json=TRACE, headers=keyed)
    again = fleet_api.manager.post(address, json=TRACE, headers=keyed)
    other = fleet_api.manager.post(address, json=trace_document(), headers=keyed)

    assert (first.status_code, again.status_code, other.status_code) == (201, 201, 422)
    assert again.json() == first.json()


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"kind": "prove"}, "/kind"),
        ({"kind": None}, "/kind"),
        ({"time_s": []}, "/time_s"),
        ({"rail_bar": [1.0, 2.0]}, "/rail_bar"),
        ({"colour": "red"}, "/colour"),
        ({"trace_id": "17"}, "/trace_id"),
        ({"record_id": str(uuid4())}, "/record_id"),
        ({"inlet_valve_unplugged": "yes"}, "/inlet_valve_unplugged"),
        ({"rail_bar": [9_427.0 + n % 7 for n in range(100)]}, "/rail_bar/0"),
    ],
)
def test_a_bad_trace_is_refused_at_its_field_and_nothing_is_stored(
    fleet_api: Any, bare: dict[str, Any], change: dict[str, Any], pointer: str
) -> None:
    address = post_record(fleet_api, bare)

    answer = fleet_api.manager.post(address, json={**TRACE, **change})

    assert pointers(answer) == [pointer]
    assert fleet_api.manager.get(address).json()["items"] == []


def test_what_is_said_twice_must_agree(fleet_api: Any, bare: dict[str, Any]) -> None:
    address = post_record(fleet_api, bare)
    says = {"inlet_valve_unplugged": "false", "trace_id": str(uuid4())}

    answer = fleet_api.manager.post(address, json=TRACE, params=says)

    assert pointers(answer) == ["/trace_id", "/inlet_valve_unplugged"]
    assert pointers(fleet_api.manager.post(address, json=TRACE, params={"kind": "hold"})) == [
        "/kind"
    ]
    assert pointers(fleet_api.manager.post(address, json=TRACE, params={"knd": "x"})) == ["knd"]


def test_bytes_that_are_no_trace_are_refused(fleet_api: Any, bare: dict[str, Any]) -> None:
    address = post_record(fleet_api, bare)
    for media_type in ("application/json", "text/csv", PARQUET, ARROW_FILE, ARROW_STREAM):
        for content in (b"", b"\x00" * 64, b"PAR1" + b"\xff" * 40 + b"PAR1", b"ARROW1\x00\x00"):
            answer = post_bytes(fleet_api, address, content, media_type, kind="proof")
            assert pointers(answer), media_type
    headers = {"Content-Encoding": "gzip"}
    for content in (b"plain", gzip.compress(json.dumps(TRACE).encode())[:-9]):
        answer = fleet_api.manager.post(address, content=content, headers=headers)
        assert pointers(answer) == [""]


def test_other_media_types_and_codings_are_refused(fleet_api: Any, bare: dict[str, Any]) -> None:
    address = post_record(fleet_api, bare)

    assert post_bytes(fleet_api, address, b"x", "application/xml").status_code == 415
    coded = fleet_api.manager.post(address, content=b"x", headers={"Content-Encoding": "br"})
    assert coded.status_code == 415
    assert "gzip" in coded.json()["detail"]


def test_too_large_a_body_is_refused_sent_plainly_packed_or_in_pieces(
    fleet_api: Any, bare: dict[str, Any]
) -> None:
    address = post_record(fleet_api, bare)
    bomb = gzip.compress(b" " * (LARGEST_TRACE_BYTES + 1), compresslevel=1)
    assert len(bomb) < 1 << 20

    def pieces() -> Iterator[bytes]:
        for _ in range((LARGEST_TRACE_BYTES >> 20) + 1):
            yield b" " * (1 << 20)

    packed = fleet_api.manager.post(address, content=bomb, headers={"Content-Encoding": "gzip"})
    streamed = fleet_api.manager.post(address, content=pieces())

    for answer in (packed, streamed):
        assert answer.status_code == 413, answer.text
        assert "Parquet" in answer.json()["detail"]


def test_a_record_that_is_not_there_takes_no_trace(fleet_api: Any) -> None:
    answer = fleet_api.manager.post(f"/v1/test-records/{uuid4()}/traces", json=TRACE)

    assert answer.status_code == 404
    assert "no test record" in answer.json()["detail"]


def test_a_workshop_sends_and_sees_traces_of_its_own_records_only(
    fleet_api: Any, bare: dict[str, Any], record: Maker
) -> None:
    workshop = fleet_api.client(fleet_api.token("workshop", workshop_name="North"))
    rival = fleet_api.client(fleet_api.token("workshop", workshop_name="South"))
    address = post_record(fleet_api, {**bare, "workshop": "North"})

    assert rival.post(address, json=TRACE).status_code == 404
    assert workshop.post(address, json=TRACE).status_code == 201
    for part in ("", f"/{TRACE['trace_id']}"):
        assert workshop.get(address + part).status_code == 200
    for part in (
        "",
        *(f"/{TRACE['trace_id']}{rest}" for rest in ("", "/original", "/picture.svg")),
    ):
        assert rival.get(address + part).status_code == 404, part


def test_a_trace_is_found_at_its_own_record_only(fleet_api: Any, record: Maker) -> None:
    first, second = post_record(fleet_api, record()), post_record(fleet_api, record())
    assert fleet_api.manager.post(first, json=TRACE).status_code == 201

    assert fleet_api.manager.get(f"{second}/{TRACE['trace_id']}").status_code == 404
    assert fleet_api.manager.post(second, json=TRACE).status_code == 409


def test_others_are_answered_while_traces_are_worked_on(fleet_api: Any, record: Maker) -> None:
    """Five minutes at 1 kHz take long to read and work out; nobody waits for that."""
    addresses = [post_record(fleet_api, record()) for _ in range(4)]
    packed = gzip.compress(
        json.dumps(trace_document(**climb(seconds=300, rate_hz=1000))).encode(), compresslevel=1
    )
    statuses: list[int] = []

    def send(address: str) -> None:
        headers = {"Content-Encoding": "gzip", "Prefer": "return=minimal"}
        answer = fleet_api.manager.post(address, content=packed, headers=headers)
        statuses.append(answer.status_code)

    waited_s: list[float] = []
    with threads(send, addresses) as running, fleet_api.client() as client:
        while any(thread.is_alive() for thread in running):
            began = time.monotonic()
            assert client.get("/healthz").status_code == 200
            waited_s.append(time.monotonic() - began)
            time.sleep(0.02)

    assert statuses == [201] * 4
    # One JSON text is parsed in one piece, which holds up every thread.
    assert max(waited_s) < 2.0


@contextmanager
def threads(work: Callable[[str], None], each: list[str]) -> Iterator[list[threading.Thread]]:
    running = [threading.Thread(target=work, args=(value,)) for value in each]
    for thread in running:
        thread.start()
    try:
        yield running
    finally:
        for thread in running:
            thread.join(60)
