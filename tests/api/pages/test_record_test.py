"""The form of a test without a script: found, filled in, checked, stored once, told."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable
from html import unescape
from typing import Any

import httpx
import pytest
from sqlalchemy import event, select
from sqlalchemy.engine import Engine

from api.examples import DOCUMENTS
from fleetdb.cautions import VERDICT_CAUTION, WORKING_CAUTIONS
from fleetdb.records.documents import Kind
from fleetdb.store.queries import record_view
from fleetdb.store.tables import TestRecordRow
from tests.api.pages.conftest import MakeVisitor, Visitor, text_of

HOSTILE = "<script>alert(1)</script>\"'><img src=x>"
FORM = "/record?vehicle=V-0107"
PROOF = {"performed_at": "2025-03-01T08:30", "utc_offset": "+01:00", "actual": "650"}


def stored(api: Any) -> list[uuid.UUID]:
    with api.store.read() as session:
        return list(session.scalars(select(TestRecordRow.record_id).order_by(TestRecordRow.id)))


def document(api: Any, record_id: uuid.UUID) -> dict[str, Any]:
    with api.store.read() as session:
        view = record_view(session, 1, record_id)
    return view.document.model_dump(mode="json", exclude_none=True)


def fill(someone: Visitor, page: str = FORM, **fields: str) -> httpx.Response:
    """Open the form and send it with what a browser would send besides."""
    shown = someone.get(page).text
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', shown))
    return someone.client.post("/record", data={**hidden, **fields})


def said_at(answer: httpx.Response, name: str) -> str:
    found = re.search(rf'id="{name}-told"[^>]*>(.*?)</div>', answer.text, re.DOTALL)
    assert found, name
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", found[1]))).strip()


@pytest.fixture
def technician(any_fleet_api: Any) -> Visitor:
    visitor = Visitor(any_fleet_api.client())
    assert visitor.sign_in(any_fleet_api.token("workshop", workshop_name="North")).is_redirect
    return visitor


def test_a_test_is_stored_with_its_workshop_and_answered_with_a_receipt(
    any_fleet_api: Any, technician: Visitor
) -> None:
    answer = fill(
        technician,
        **PROOF,
        odometer="142 310",
        fuel_temp="22,5",
        crank_rpm="185",
        duty_pct="45",
        build_rate="410",
        leak_duration_s="60",
        leak_2="31",
        leak_3="30.5",
        kit_new="K-3",
        technician="t-4",
        note="warm\r\nafter a run",
    )
    assert answer.status_code == 201, text_of(answer)
    (record_id,) = stored(any_fleet_api)
    assert document(any_fleet_api, record_id) == {
        "record_id": str(record_id),
        "vehicle": "V-0107",
        "performed_at": "2025-03-01T07:30:00Z",
        "odometer_km": 142310,
        "workshop": "North",
        "kit": "K-3",
        "technician": "t-4",
        "conditions": {"fuel_temp_c": 22.5, "crank_rpm": 185},
        # The target is the family's where none is typed.
        "proof": {"duty_pct": 45, "target_bar": 700, "actual_bar": 650},
        "build": {"rate_bar_per_s": 410},
        "leak": {
            "duration_s": 60,
            "cylinders": [{"cylinder": 2, "ml": 31}, {"cylinder": 3, "ml": 30.5}],
        },
        "note": "warm\nafter a run",
    }
    told = text_of(answer)
    for words in ("Stored", "0.929", "○ unproven", "What to do next", "61.5 mL/min"):
        assert words in told
    for caution in (*WORKING_CAUTIONS, VERDICT_CAUTION):
        assert caution in told


def test_units_are_converted_and_what_was_typed_is_shown_beside(
    any_fleet_api: Any, technician: Visitor
) -> None:
    fields = {
        **PROOF,
        "actual": "9427,5",
        "odometer": "88427",
        "fuel_temp": "72.5",
        "leak_duration_s": "60",
        "leak_1": "1",
        "pressure_unit": "psi",
        "distance_unit": "miles",
        "temperature_unit": "°F",
        "volume_unit": "US fl oz",
    }
    checked = fill(technician, **fields, intent="check")
    assert checked.status_code == 200
    assert said_at(checked, "actual") == "= 650.0032 bar"
    assert said_at(checked, "leak_1") == "= 29.57353 mL"
    assert stored(any_fleet_api) == []
    answer = fill(technician, **fields)
    (record_id,) = stored(any_fleet_api)
    record = document(any_fleet_api, record_id)
    # NIST SP 811 (2008), Appendix B.8: psi 6.894 757 E+03 Pa, mile 1.609 344 E+03 m,
    # fluid ounce (U.S.) 2.957 353 E+01 mL.
    assert record["proof"]["actual_bar"] == pytest.approx(9427.5 * 6.894757e-2, rel=1e-15)
    assert record["odometer_km"] == pytest.approx(88427 * 1.609344, rel=1e-15)
    assert record["conditions"]["fuel_temp_c"] == 22.5
    assert record["leak"]["cylinders"][0]["ml"] == 29.57353
    assert "9427,5 psi" in text_of(answer) and "88427 miles" in text_of(answer)
    # The next form is read in the same units.
    assert "pressure_unit=psi" in answer.text


@pytest.mark.parametrize(
    ("fields", "name", "words"),
    [
        ({"actual": "9427"}, "actual", "was this psi?"),
        ({"actual": "six"}, "actual", "is no number"),
        ({"odometer": "142.310"}, "odometer", "can be read as 142310 or as 142.31"),
        ({"target": "500"}, "target", "differs from ridge-16's 700"),
        ({"leak_duration_s": "60", "leak_1": "99999"}, "leak_1", "is impossible"),
        ({"leak_1": "31"}, "leak_duration_s", "is required"),
        ({"build_rate": "400", "build_from": "500", "build_to": "200"}, "build_to", "above"),
        ({"performed_at": "2999-01-01T00:00"}, "performed_at", "is in the future"),
        ({"performed_at": "yesterday"}, "performed_at", "expected a date and a time"),
        ({"utc_offset": "CET"}, "utc_offset", "choose how far"),
        ({"actual": ""}, "", "holds no reading"),
        ({"kit": "K-3", "kit_new": "K-4"}, "kit_new", "K-3 is chosen already"),
        ({"workshop": "South"}, "", "this token sends for workshop 'North'"),
        ({"note": "\x00"}, "note", "U+0000"),
    ],
)
def test_what_cannot_be_is_told_at_its_field_and_nothing_is_stored_or_lost(
    any_fleet_api: Any, technician: Visitor, fields: dict[str, str], name: str, words: str
) -> None:
    answer = fill(technician, **{**PROOF, "technician": "t-4", **fields})
    assert answer.status_code == 422
    assert words in (said_at(answer, name) if name else text_of(answer))
    assert stored(any_fleet_api) == []
    for kept in ({"technician": "t-4"} | fields).values():
        # No form of ours offers the last three.
        assert kept in answer.text or kept in ("CET", "South", "\x00")


def test_a_check_remarks_what_is_odd_beside_the_fields_and_stores_nothing(
    any_fleet_api: Any, technician: Visitor
) -> None:
    answer = fill(technician, **PROOF, crank_rpm="60", duty_pct="60", intent="check")
    assert answer.status_code == 200
    assert "far below the reference" in said_at(answer, "crank_rpm")
    assert "is proved at 45 %" in said_at(answer, "duty_pct")
    assert "no kit named" in said_at(answer, "kit")
    assert stored(any_fleet_api) == []


def test_a_form_sent_twice_is_stored_once_and_answered_alike(
    any_fleet_api: Any, technician: Visitor
) -> None:
    record_id = str(uuid.uuid4())
    page = f"{FORM}&record={record_id}"
    first, again = fill(technician, page, **PROOF), fill(technician, page, **PROOF)
    assert (first.status_code, again.status_code) == (201, 200)
    assert stored(any_fleet_api) == [uuid.UUID(record_id)]
    assert "Stored before, once" in text_of(again)


@pytest.mark.parametrize("is_correction", [True, False])
def test_a_form_changed_after_it_was_stored_asks_what_it_is(
    any_fleet_api: Any, technician: Visitor, is_correction: bool
) -> None:
    old = str(uuid.uuid4())
    fill(technician, f"{FORM}&record={old}", **PROOF)
    asked = fill(technician, f"{FORM}&record={old}", **{**PROOF, "actual": "660"})
    assert asked.status_code == 409
    assert "arrived before, with other contents" in text_of(asked)
    new = re.search(r'name="record_id" value="([^"]+)"', asked.text)
    assert new and new[1] != old and f'value="{old}" checked' in asked.text
    fields = {**PROOF, "actual": "660", "supersedes": old if is_correction else ""}
    answer = fill(technician, f"{FORM}&record={new[1]}", **fields)
    assert answer.status_code == 201
    record = document(any_fleet_api, uuid.UUID(new[1]))
    assert record.get("supersedes") == (old if is_correction else None)


def test_a_stored_test_is_corrected_from_its_receipt(
    any_fleet_api: Any, technician: Visitor
) -> None:
    fill(technician, **PROOF, kit_new="K-3", leak_duration_s="60", leak_4="31")
    (old,) = stored(any_fleet_api)
    page = f"{FORM}&corrects={old}"
    shown = technician.get(page).text
    for kept in ('value="650"', 'value="31"', "<option selected>K-3</option>", "T07:30:00"):
        assert kept in shown
    answer = fill(technician, page, **{**PROOF, "actual": "660"})
    assert answer.status_code == 201
    told = text_of(technician.get(f"/record/{old}"))
    assert "Corrected by a later record" in told


def test_a_vehicle_is_found_by_a_part_of_what_is_written_on_it(
    any_fleet_api: Any, technician: Visitor
) -> None:
    any_fleet_api.manager.post(
        "/v1/vehicles",
        json={
            **DOCUMENTS[Kind.VEHICLES],
            "vehicle": "V-0200",
            "registration": "FLT 17",
            "vin": "1M8GDM9AXKP042788",
        },
    )
    for typed in ("v0200", "lt17", "kp0427"):
        found = technician.get("/record", params={"find": typed})
        assert "1 vehicle fits" in text_of(found) and "/record?vehicle=V-0200" in found.text
        # The end is enough to see that it is this one.
        assert "042788" in found.text and "1M8GDM9AXKP042788" not in found.text
    assert "Type 3 characters or more" in text_of(technician.get("/record?find=v0"))
    assert "No vehicle has" in text_of(technician.get("/record", params={"find": "%%%"}))
    shown = text_of(technician.get("/record?vehicle=V-0200"))
    # 700e5 Pa / 6.894757e3 Pa, NIST SP 811 (2008), Appendix B.8.
    assert "700 bar = 70 MPa = 10,153 psi" in shown
    assert technician.get("/record?vehicle=V-9").status_code == 404


def test_a_workshop_sees_its_own_tests_and_nobody_elses(
    any_fleet_api: Any, technician: Visitor, record: Callable[..., dict[str, Any]]
) -> None:
    others = record(workshop="South", note="theirs")
    any_fleet_api.manager.post("/v1/test-records", json=others)
    assert technician.get(f"/record/{others['record_id']}").status_code == 404
    assert technician.get(f"{FORM}&corrects={others['record_id']}").status_code == 404
    assert "Last test of yours none yet" in text_of(technician.get(FORM))
    assert "No test has been received from here yet" in text_of(technician.get("/workshop"))
    fill(technician, **PROOF)
    home = technician.get("/workshop")
    assert "0.93" in text_of(home) and "no kit named" in text_of(home)
    assert "0.93" in text_of(technician.get(FORM))
    managers = Visitor(any_fleet_api.client())
    managers.sign_in(any_fleet_api.token("manager"))
    assert "South" in text_of(managers.get("/workshop"))
    assert managers.get(f"/record/{others['record_id']}").status_code == 200


def test_a_workshop_is_led_to_its_own_page(technician: Visitor) -> None:
    assert technician.get("/").headers["location"] == "/workshop"
    home = text_of(technician.get("/workshop"))
    assert "North" in home and "Action list" not in home


def test_a_manager_chooses_the_workshop(any_fleet_api: Any) -> None:
    manager = Visitor(any_fleet_api.client())
    manager.sign_in(any_fleet_api.token("manager"))
    assert fill(manager, **PROOF, workshop="South").status_code == 201
    (record_id,) = stored(any_fleet_api)
    assert document(any_fleet_api, record_id)["workshop"] == "South"
    assert "<option>South</option>" in manager.get(FORM).text


def test_a_form_without_its_key_stores_nothing(any_fleet_api: Any, technician: Visitor) -> None:
    fields = {**PROOF, "record_id": str(uuid.uuid4()), "vehicle": "V-0107"}
    assert technician.client.post("/record", data=fields).status_code == 403
    assert stored(any_fleet_api) == []


def test_hostile_texts_are_text(fleet_api: Any, visitor: MakeVisitor) -> None:
    fleet_api.manager.post("/v1/vehicles", json={**DOCUMENTS[Kind.VEHICLES], "vehicle": HOSTILE})
    someone = visitor("workshop", workshop_name=HOSTILE)
    shown = someone.get("/record", params={"vehicle": HOSTILE}).text
    hidden = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', shown)
    fields = {**dict(hidden), **PROOF, "vehicle": HOSTILE, "kit_new": HOSTILE, "note": HOSTILE}
    pages = [
        someone.client.post("/record", data={**fields, "intent": "check"}),
        someone.client.post("/record", data={**fields, "actual": HOSTILE}),
        someone.client.post("/record", data=fields),
        someone.get("/workshop"),
        someone.get("/record", params={"find": HOSTILE}),
        someone.get("/record", params={"vehicle": HOSTILE}),
    ]
    assert [answer.status_code for answer in pages] == [200, 422, 201, 200, 200, 200]
    for answer in pages:
        assert "<script>alert" not in answer.text and "<img" not in answer.text
        assert "&lt;script&gt;alert(1)" in answer.text


def test_the_pages_take_as_many_queries_for_many_records_as_for_one(
    fleet_api: Any, visitor: MakeVisitor
) -> None:
    someone = visitor("workshop", workshop_name="North")
    counts = []
    for more in (1, 25):
        for _ in range(more):
            assert fill(someone, **PROOF).status_code == 201
        statements: list[str] = []

        def note(
            _c: object, _k: object, sql: str, *_: object, into: list[str] = statements
        ) -> None:
            into.append(sql)

        event.listen(Engine, "before_cursor_execute", note)
        for path in ("/workshop", FORM):
            assert someone.get(path).status_code == 200
        event.remove(Engine, "before_cursor_execute", note)
        counts.append(len([sql for sql in statements if sql.startswith("SELECT")]))
    assert counts[0] == counts[1] <= 30
