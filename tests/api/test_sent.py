"""The API counts what it refuses and what it is sent again, one by one and in batches."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from fleetdb.store.sent_counts import sent_totals
from tests.api.pages.conftest import Visitor
from tests.api.pages.test_record_test import FORM, PROOF, fill
from tests.api.pages.test_upload import BAD, GOOD, as_csv, load, send

Maker = Callable[..., dict[str, Any]]


def counts(api: Any) -> dict[tuple[str, str, str, str], int]:
    today = datetime.now(UTC).date()
    with api.store.read() as session:
        found = sent_totals(session, 1, today, today)
    return {(t.workshop, t.kind, t.code, t.pointer): t.n for t in found}


def test_each_document_refused_or_sent_again_is_counted(any_fleet_api: Any, record: Maker) -> None:
    api = any_fleet_api
    north = api.client(api.token("workshop", workshop_name="North"))
    good = record()
    quick = {"Prefer": "return=minimal"}
    assert north.post("/v1/test-records", json=good, headers=quick).status_code == 201
    assert counts(api) == {}
    assert north.post("/v1/test-records", json=good, headers=quick).status_code == 200
    assert north.post("/v1/test-records", json=record(vehicle="V-9999")).status_code == 422
    other = good | {"odometer_km": 1}
    assert north.post("/v1/test-records", json=other).status_code == 409
    finding = {"finding_id": "x"}
    assert api.manager.post("/v1/findings", json=finding).status_code == 422
    lines = [record(vehicle="V-9999"), good | {"workshop": "North"}, record()]
    batch = "\n".join(map(json.dumps, lines))
    headers = {"Content-Type": "application/x-ndjson"}
    assert north.post("/v1/test-records/batch", content=batch, headers=headers).status_code == 200
    found = counts(api)
    assert found.pop(("", "findings", "invalid", "/finding_id")) == 1
    assert found == {
        ("North", "test_records", "sent_again", ""): 2,
        ("North", "test_records", "invalid", "/vehicle"): 2,
        ("North", "test_records", "other_contents", ""): 1,
    }


def test_a_trace_refused_is_counted_by_its_senders_workshop(
    any_fleet_api: Any, record: Maker
) -> None:
    api = any_fleet_api
    north = api.client(api.token("workshop", workshop_name="North"))
    sent = record()
    north.post("/v1/test-records", json=sent, headers={"Prefer": "return=minimal"})
    path = f"/v1/test-records/{sent['record_id']}/traces?kind=proof"
    answer = north.post(path, content="time_s\n1\n", headers={"Content-Type": "text/csv"})
    assert answer.status_code == 422
    [(workshop, kind, code, _)] = counts(api)
    assert (workshop, kind, code) == ("North", "traces", "invalid")


def test_a_form_sent_from_a_page_is_counted_as_one_document(any_fleet_api: Any) -> None:
    north = technician(any_fleet_api)
    assert fill(north, **PROOF).status_code == 201
    assert counts(any_fleet_api) == {}
    assert fill(north, **{**PROOF, "actual": "six", "odometer": "far"}).status_code == 422
    assert fill(north, **{**PROOF, "utc_offset": "CET"}).status_code == 422
    assert fill(north, **{**PROOF, "actual": "9427"}, intent="check").status_code == 200
    shown = f"{FORM}&record=9d0f6b0a-4a0e-4d0c-8a0f-3e8b6a1f2c99"
    for actual, status in (("650", 201), ("650", 200), ("651", 409)):
        assert fill(north, shown, **{**PROOF, "actual": actual}).status_code == status
    assert counts(any_fleet_api) == {
        ("North", "test_records", "invalid", "/odometer_km"): 1,
        ("North", "test_records", "invalid", "/performed_at"): 1,
        ("North", "test_records", "sent_again", ""): 1,
        ("North", "test_records", "other_contents", ""): 1,
    }


def test_rows_of_an_uploaded_file_are_counted_when_they_are_loaded(any_fleet_api: Any) -> None:
    north = technician(any_fleet_api)
    load(north, send(north, as_csv(*GOOD)))
    seen = send(north, as_csv(*GOOD, *BAD))
    assert counts(any_fleet_api) == {}
    load(north, seen)
    assert counts(any_fleet_api) == {
        ("North", "test_records", "sent_again", ""): 2,
        ("North", "test_records", "invalid", "/vehicle"): 1,
        ("North", "test_records", "invalid", "/performed_at"): 1,
        ("North", "test_records", "invalid", "/proof/actual_bar"): 1,
    }


def technician(api: Any) -> Visitor:
    visitor = Visitor(api.client())
    assert visitor.sign_in(api.token("workshop", workshop_name="North")).is_redirect
    return visitor
