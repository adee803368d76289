"""Recording fitments and findings from a form: checked at the field, stored once."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.test_vehicle import HOSTILE, signed_in
from tests.api.pages.worn_vehicle import post_worn_vehicle

FINDING = {
    "part": "pump",
    "outcome": "worn_confirmed",
    "found_at": "2026-05-04T12:30",
    "utc_offset": "+02:00",
    "odometer_km": "98 500",
    "note": "scored plunger\nsecond line",
}
FITMENT = {
    "part": "injector",
    "cylinder": "3",
    "serial": "I-77",
    "fitted_at": "2026-05-04T11:00",
    "utc_offset": "+00:00",
    "odometer_km": "",
    "reason": "leaked",
}
NEW = {"findings": "/vehicles/V-9/findings/new", "fitments": "/vehicles/V-9/fitments/new"}


def form_of(visitor: Visitor, path: str) -> dict[str, str]:
    """Return the hidden fields of a form as it is shown."""
    return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', visitor.get(path).text))


def field(answer: Any, name: str) -> str:
    """Return the label, the field and what is told beside it."""
    [found] = [part for part in answer.text.split('<p class="field">') if f'name="{name}"' in part]
    return found.split("</p>")[0]


def sent(visitor: Visitor, events: str, **fields: str) -> Any:
    form = form_of(visitor, NEW[events])
    return visitor.client.post(f"/vehicles/V-9/{events}", data={**form, **fields})


def test_a_finding_is_stored_and_shown_on_the_page(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=3)
    manager = signed_in(any_api)
    answer = sent(manager, "findings", **FINDING)
    assert (answer.status_code, answer.headers["location"]) == (303, "/vehicles/V-9?stored=finding")
    told = text_of(manager.get(answer.headers["location"]))
    assert "✓ What was found is stored." in told
    assert "C 2026-05-04 98,500 pump: worn confirmed scored plunger second line" in told
    [stored] = any_api.manager.get("/v1/findings?part=pump").json()["items"]
    assert stored["document"]["note"] == FINDING["note"]
    assert stored["document"]["found_at"] == "2026-05-04T10:30:00Z"


def test_an_odometer_in_miles_is_kept_in_km(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=1)
    manager = signed_in(any_api)
    in_miles = {"odometer_km": "61 500", "distance_unit": "miles"}
    assert sent(manager, "fitments", **{**FITMENT, **in_miles}).status_code == 303

    [stored] = any_api.manager.get("/v1/fitments?part=injector").json()["items"]
    # 1 mile is 1.609344 km exactly (NIST SP 811).
    assert stored["document"]["odometer_km"] == pytest.approx(61_500 * 1.609344)
    wrong = sent(manager, "findings", **{**FINDING, **in_miles, "part": ""})
    assert wrong.status_code == 422
    assert "<option selected>miles</option>" in field(wrong, "distance_unit")


def test_a_new_pump_begins_a_new_series(any_api: Any) -> None:
    post_worn_vehicle(any_api)
    manager = signed_in(any_api)
    pump = {**FITMENT, "part": "pump", "cylinder": "", "serial": "P-2"}
    assert sent(manager, "fitments", **pump).status_code == 303
    told = text_of(manager.get("/vehicles/V-9"))
    assert "Vehicle V-9 ○ unproven" in told
    assert "Pump fitted now P-2" in told
    assert "original 2022-04-01 2026-05-04 12" in told


def test_a_form_sent_twice_is_stored_once(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=1)
    manager = signed_in(any_api)
    form = {**form_of(manager, NEW["fitments"]), **FITMENT}
    for _ in range(2):
        assert manager.client.post("/vehicles/V-9/fitments", data=form).status_code == 303
    assert len(any_api.manager.get("/v1/fitments?part=injector").json()["items"]) == 1

    other = manager.client.post("/vehicles/V-9/fitments", data={**form, "serial": "I-78"})
    assert other.status_code == 409
    assert "sent before with other contents" in text_of(other)
    again = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', other.text))
    assert again["fitment_id"] != form["fitment_id"]
    assert 'value="I-78"' in field(other, "serial")


@pytest.mark.parametrize(
    ("events", "wrong", "told"),
    [
        ("findings", {"found_at": ""}, "is required"),
        ("findings", {"found_at": "yesterday"}, "expected a date and a time"),
        ("findings", {"found_at": "2026-02-30T10:00"}, "expected a date and a time"),
        ("findings", {"utc_offset": "summer"}, "choose how far the clock was from UTC"),
        ("findings", {"found_at": "2027-05-04T10:00"}, "future"),
        ("findings", {"odometer_km": "98 thousand"}, "is no number"),
        ("findings", {"odometer_km": "61.250"}, "can be read as 61250 or as 61.25"),
        ("findings", {"odometer_km": "99999999999"}, "at most 10000000"),
        ("findings", {"part": ""}, "is required"),
        ("findings", {"outcome": "broken"}, "must be one of"),
        ("findings", {"note": "x" * 2001}, "at most 2000 characters"),
        ("fitments", {"cylinder": ""}, "an injector needs its cylinder"),
        ("fitments", {"cylinder": "9"}, "cylinder"),
        ("fitments", {"cylinder": "2.5"}, "whole number"),
        ("fitments", {"serial": "two\nlines"}, "one line"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_and_what_was_typed_stays(
    api: Any, events: str, wrong: dict[str, str], told: str
) -> None:
    post_worn_vehicle(api, tests=1)
    manager = signed_in(api)
    good = FINDING if events == "findings" else FITMENT
    answer = sent(manager, events, **{**good, **wrong})

    assert answer.status_code == 422
    [name] = wrong
    beside = field(answer, name)
    assert 'aria-invalid="true"' in beside and f'id="{name}-told"' in beside
    assert told in beside
    for other in set(good) - {name}:
        assert "aria-invalid" not in field(answer, other)
        if good[other]:
            kept = field(answer, other)
            assert good[other] in kept
    assert any_items(api, events) == 1  # what post_worn_vehicle sent, and nothing more


def any_items(api: Any, events: str) -> int:
    return len(api.manager.get(f"/v1/{events}").json()["items"])


def test_every_wrong_field_is_told_at_once(api: Any) -> None:
    post_worn_vehicle(api, tests=1)
    answer = sent(signed_in(api), "findings", **{**FINDING, "found_at": "", "odometer_km": "far"})
    assert "2 fields need another look" in text_of(answer)


def test_a_form_that_did_not_come_from_the_page_is_refused(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=1)
    manager = signed_in(any_api)
    form = form_of(manager, NEW["findings"])
    for key in ("", "0" * 64):
        answer = manager.client.post(
            "/vehicles/V-9/findings", data={**form, **FINDING, "form_key": key}
        )
        assert answer.status_code == 403
    assert any_items(any_api, "findings") == 1


def test_a_workshop_records_for_vehicles_it_tested_only(any_api: Any) -> None:
    post_worn_vehicle(any_api, tests=2, workshop="North")
    north = signed_in(any_api, "workshop", workshop_name="North")
    answer = sent(north, "findings", **FINDING)
    assert answer.status_code == 303
    assert "✓ What was found is stored." in text_of(north.get(answer.headers["location"]))
    south = signed_in(any_api, "workshop", workshop_name="South")
    key = south.form_key("/vehicles")
    form = {"form_key": key, "finding_id": "9d0f6b0a-4a0e-4d0c-8a0f-3e8b6a1f2c99", **FINDING}
    assert south.client.post("/vehicles/V-9/findings", data=form).status_code == 404
    assert any_items(any_api, "findings") == 2


def test_the_cautions_stand_before_the_fields(api: Any) -> None:
    post_worn_vehicle(api, tests=1)
    manager = signed_in(api)
    for path in NEW.values():
        text = manager.get(path).text
        assert text.index("surgical emergency") < text.index(
            '<form method="post" action="/vehicles'
        )


def test_hostile_text_stays_text_when_shown_again(api: Any) -> None:
    post_worn_vehicle(api, tests=1)
    manager = signed_in(api)
    wrong = {**FINDING, "note": HOSTILE, "odometer_km": HOSTILE, "found_at": HOSTILE}
    again = sent(manager, "findings", **wrong)
    assert again.status_code == 422
    assert "<script>alert" not in again.text and "<img src=x" not in again.text
    assert sent(manager, "findings", **{**FINDING, "note": HOSTILE}).status_code == 303
    page = manager.get("/vehicles/V-9").text
    assert "<script>alert" not in page and "&lt;script&gt;" in page


def test_no_other_event_can_be_recorded(api: Any) -> None:
    post_worn_vehicle(api, tests=1)
    assert signed_in(api).get("/vehicles/V-9/verdicts/new").status_code in (404, 422)
