"""Posting, listing and reading the six kinds of document."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from sqlalchemy import func, select

from api.examples import DOCUMENTS
from api.resources import RESOURCES
from fleetdb.records.documents import Kind
from fleetdb.store.columns import Base
from fleetdb.store.engine import Store
from fleetdb.store.tables import SentCount

ALL_FIELDS: dict[Kind, dict[str, Any]] = {
    Kind.PUMP_FAMILIES: {
        "applies_from": "2024-01-01",
        "pump_strokes_per_engine_rev": 1.5,
        "pumping_elements": 3,
    },
    Kind.VEHICLES: {"vin": "1M8GDM9AXKP042788", "registration": "QL 107"},
    Kind.KIT_CALIBRATIONS: {"note": "yearly"},
    Kind.FITMENTS: {"part": "injector", "cylinder": 2},
    Kind.TEST_RECORDS: {
        "engine_hours": 5100,
        "workshop": "North",
        "technician": "T. Example",
        "note": "cold start",
        "traces_follow": True,
        "supersedes": "018f3c1e-7a2b-7c3d-8e4f-000000000000",
        "build": {"rate_bar_per_s": 410, "from_bar": 50, "to_bar": 300},
        "leak": {"duration_s": 60, "rail_bar": 300, "cylinders": [{"cylinder": 1, "ml": 31}]},
    },
    Kind.FINDINGS: {"odometer_km": 150000, "note": "scored"},
}
# Each is wrong for every number, name, text, date, time and id of the contract.
WRONG_FOR_ANY_VALUE = ({"a": 1}, [1], True, "", "\x00", 1e300)
WRONG_FOR_ANY_OBJECT = ("text", 1, True, [1])
BEFORE: dict[Kind, tuple[Kind, ...]] = {
    Kind.PUMP_FAMILIES: (),
    Kind.VEHICLES: (Kind.PUMP_FAMILIES,),
    Kind.KIT_CALIBRATIONS: (),
    Kind.FITMENTS: (Kind.PUMP_FAMILIES, Kind.VEHICLES),
    Kind.TEST_RECORDS: (Kind.PUMP_FAMILIES, Kind.VEHICLES),
    Kind.FINDINGS: (Kind.PUMP_FAMILIES, Kind.VEHICLES),
}
kinds = pytest.mark.parametrize("kind", list(Kind))


def rows_of(store: Store) -> dict[str, int]:
    """Return the rows of every table but the tally of what was refused or sent again."""
    with store.read() as session:
        return {
            table.name: session.scalar(select(func.count()).select_from(table)) or 0
            for table in Base.metadata.sorted_tables
            if table.name != SentCount.__tablename__
        }


def full_document(kind: Kind) -> dict[str, Any]:
    return copy.deepcopy({**DOCUMENTS[kind], **ALL_FIELDS[kind]})


def places(value: Any, pointer: str = "") -> Iterator[tuple[str, Any]]:
    """Every field of a document, nested ones too: its pointer and its value."""
    entries = value.items() if isinstance(value, dict) else enumerate(value)
    for name, inner in entries:
        yield f"{pointer}/{name}", inner
        if isinstance(inner, dict | list):
            yield from places(inner, f"{pointer}/{name}")


def replaced(document: Any, pointer: str, value: Any) -> Any:
    changed = copy.deepcopy(document)
    *path, last = pointer.split("/")[1:]
    inner = changed
    for step in path:
        inner = inner[int(step) if isinstance(inner, list) else step]
    inner[int(last) if isinstance(inner, list) else last] = value
    return changed


def path_of(kind: Kind) -> str:
    return "/v1/" + kind.value.replace("_", "-")


@kinds
def test_every_field_of_the_contract_is_tried(kind: Kind) -> None:
    optional = {"cylinder"} if kind is not Kind.FITMENTS else set()
    assert full_document(kind).keys() == kind.model.model_fields.keys() - optional


@kinds
def test_a_wrong_field_is_named_and_nothing_is_stored(api: Any, kind: Kind) -> None:
    api.post_examples(*BEFORE[kind])
    before = rows_of(api.store)
    client = api.manager
    tried = 0
    for pointer, value in places(full_document(kind)):
        wrong = WRONG_FOR_ANY_VALUE if not isinstance(value, dict | list) else WRONG_FOR_ANY_OBJECT
        for bad in wrong:
            if (isinstance(value, list) and isinstance(bad, list)) or value is bad:
                continue
            answer = client.post(path_of(kind), json=replaced(full_document(kind), pointer, bad))
            named = [error["pointer"] for error in answer.json()["errors"]]
            assert answer.status_code == 422, (pointer, bad, answer.text)
            assert any(name == pointer for name in named), (pointer, bad, named)
            tried += 1
    assert tried >= 6 * len(kind.model.model_fields) - 12
    assert rows_of(api.store) == before


@kinds
def test_a_missing_or_unknown_field_is_named_and_nothing_is_stored(api: Any, kind: Kind) -> None:
    api.post_examples(*BEFORE[kind])
    before = rows_of(api.store)
    required = [name for name, f in kind.model.model_fields.items() if f.is_required()]
    document = full_document(kind)
    for name in required:
        without = {k: v for k, v in document.items() if k != name}
        answer = api.manager.post(path_of(kind), json=without)
        assert answer.status_code == 422
        assert f"/{name}" in [error["pointer"] for error in answer.json()["errors"]]
    objects = ["", *(p for p, value in places(document) if isinstance(value, dict))]
    for pointer in objects:
        unknown = f"{pointer}/colour"
        answer = api.manager.post(path_of(kind), json=replaced(document, unknown, "red"))
        assert answer.status_code == 422
        assert [e["pointer"] for e in answer.json()["errors"]] == [unknown]
    assert rows_of(api.store) == before


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "JSON"),
        (b"{", "JSON"),
        (b"[]", "object"),
        (b"null", "object"),
        (b"\xff{}", "UTF-8"),
        (b'{"kit": "a", "kit": "b"}', "twice"),
        (b"[" * 100_000, "deep"),
    ],
)
def test_a_body_that_is_no_json_object_is_refused(api: Any, body: bytes, says: str) -> None:
    headers = {"Content-Type": "application/json"}
    answer = api.manager.post("/v1/kit-calibrations", content=body, headers=headers)
    assert answer.status_code == 422
    assert says in answer.json()["detail"]


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
def test_a_number_that_is_none_is_refused_at_its_field(fleet_api: Any, number: str) -> None:
    body = (
        '{"finding_id": "9d0f6b0a-4a0e-4d0c-8a0f-3e8b6a1f2c77", "vehicle": "V-0107", '
        '"part": "pump", "outcome": "no_fault_found", "found_at": "2025-05-12T10:00:00Z", '
        f'"odometer_km": {number}}}'
    )
    headers = {"Content-Type": "application/json"}
    answer = fleet_api.manager.post("/v1/findings", content=body, headers=headers)
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == ["/odometer_km"]


IMPOSSIBLE: list[tuple[Kind, str, Any, str]] = [
    (Kind.TEST_RECORDS, "/proof/actual_bar", 9427, "was this psi?"),
    (Kind.TEST_RECORDS, "/proof/target_bar", 600, "differs"),
    (Kind.TEST_RECORDS, "/performed_at", "2095-01-01T00:00:00Z", "future"),
    (Kind.TEST_RECORDS, "/performed_at", "2019-01-01T00:00:00Z", "service"),
    (Kind.TEST_RECORDS, "/vehicle", "V-9999", "no vehicle"),
    (Kind.TEST_RECORDS, "/supersedes", "018f3c1e-7a2b-7c3d-8e4f-000000000000", "no test record"),
    (Kind.TEST_RECORDS, "/leak/cylinders/0/cylinder", 7, "does not exist"),
    (Kind.TEST_RECORDS, "/leak/duration_s", 0, "above 0"),
    (Kind.FITMENTS, "/fitted_at", "2095-01-01T00:00:00Z", "future"),
    (Kind.FITMENTS, "/vehicle", "V-9999", "no vehicle"),
    (Kind.FINDINGS, "/found_at", "2019-01-01T00:00:00Z", "service"),
    (Kind.KIT_CALIBRATIONS, "/calibrated_at", "2095-01-01T00:00:00Z", "future"),
    (Kind.VEHICLES, "/pump_family", "fam-none", "no pump family"),
    (Kind.PUMP_FAMILIES, "/proof_target_bar", 1700, "above rail_max_bar"),
]


@pytest.mark.parametrize(("kind", "pointer", "value", "says"), IMPOSSIBLE)
def test_what_the_fleet_shows_to_be_impossible_is_refused_at_its_field(
    api: Any, kind: Kind, pointer: str, value: Any, says: str
) -> None:
    api.post_examples(*BEFORE[kind])
    before = rows_of(api.store)
    answer = api.manager.post(path_of(kind), json=replaced(DOCUMENTS[kind], pointer, value))
    assert answer.status_code == 422
    ((error),) = answer.json()["errors"]
    assert error["pointer"] == pointer
    assert says in error["detail"]
    assert rows_of(api.store) == before


@kinds
def test_the_same_document_again_is_already_there_and_another_body_conflicts(
    any_api: Any, kind: Kind
) -> None:
    api = any_api
    api.post_examples(*BEFORE[kind])
    changed_field = {
        Kind.PUMP_FAMILIES: ("rail_max_bar", 1800),
        Kind.VEHICLES: ("depot", "Elsewhere"),
        Kind.TEST_RECORDS: ("odometer_km", 142311),
    }.get(kind, ("note", "another") if "note" in kind.model.model_fields else ("reason", "x"))
    first = api.manager.post(path_of(kind), json=DOCUMENTS[kind])
    again = api.manager.post(path_of(kind), json=DOCUMENTS[kind])
    rows = rows_of(api.store)
    other = api.manager.post(path_of(kind), json=DOCUMENTS[kind] | dict([changed_field]))
    assert (first.status_code, again.status_code, other.status_code) == (201, 200, 409)
    assert other.json()["type"] == "urn:fleetdb:problem:same-id-other-body"
    id_field = next(r.id_field for r in RESOURCES if r.kind is kind)
    assert [error["pointer"] for error in other.json()["errors"]] == [f"/{id_field}"]
    assert rows_of(api.store) == rows


@kinds
def test_what_was_posted_can_be_read_back_as_it_was_sent(any_api: Any, kind: Kind) -> None:
    api = any_api
    api.post_examples(*BEFORE[kind])
    posted = api.manager.post(path_of(kind), json=DOCUMENTS[kind])
    location = posted.headers["Location"]
    got = api.manager.get(location).json()
    model = kind.model.model_validate(DOCUMENTS[kind])
    assert kind.model.model_validate(got["document"]) == model
    (listed,) = api.manager.get(path_of(kind)).json()["items"]
    assert listed == got


@kinds
def test_an_unknown_id_is_not_found(api: Any, kind: Kind) -> None:
    answer = api.manager.get(f"{path_of(kind)}/018f3c1e-7a2b-7c3d-8e4f-aaaaaaaaaaaa")
    assert answer.status_code == 404
    assert answer.json()["type"] == "urn:fleetdb:problem:not-found"


def test_a_fleet_number_with_any_sign_can_be_addressed(api: Any) -> None:
    api.post_examples(Kind.PUMP_FAMILIES)
    for number in ("V 12", "7%20", "ä/ö?#", "7/2/verdict", "-"):
        posted = api.manager.post(
            "/v1/vehicles", json=DOCUMENTS[Kind.VEHICLES] | {"vehicle": number}
        )
        assert posted.status_code == 201
        got = api.manager.get(posted.headers["Location"])
        assert got.json()["document"]["vehicle"] == number


def test_a_family_is_shown_in_the_version_in_force(api: Any) -> None:
    family = DOCUMENTS[Kind.PUMP_FAMILIES]
    api.post_examples(Kind.PUMP_FAMILIES)
    for applies_from, limit in (("2024-01-01", 0.82), ("2094-01-01", 0.9)):
        version = {**family, "applies_from": applies_from, "proof_ratio_limit": limit}
        assert api.manager.post("/v1/pump-families", json=version).status_code == 201
    got = api.manager.get("/v1/pump-families/ridge-16").json()
    assert got["document"]["proof_ratio_limit"] == 0.82
    assert len(api.manager.get("/v1/pump-families").json()["items"]) == 3


def test_lists_are_filtered(any_fleet_api: Any, record: Callable[..., dict[str, Any]]) -> None:
    client = any_fleet_api.manager
    other = DOCUMENTS[Kind.VEHICLES] | {"vehicle": "V-2", "depot": "Harbour Road"}
    assert client.post("/v1/vehicles", json=other).status_code == 201
    minimal = {"Prefer": "return=minimal"}
    for fields in (
        {"vehicle": "V-2", "kit": "K-1", "performed_at": "2024-06-01T00:00:00Z"},
        {"workshop": "North", "performed_at": "2024-07-01T00:00:00Z"},
    ):
        answer = client.post("/v1/test-records", json=record(**fields), headers=minimal)
        assert answer.status_code == 201, answer.text

    def count(address: str, **query: str) -> int:
        answer = client.get(address, params=query)
        assert answer.status_code == 200, answer.text
        return len(answer.json()["items"])

    assert count("/v1/vehicles", depot="Harbour Road") == 1
    assert count("/v1/test-records") == 2
    assert count("/v1/test-records", vehicle="V-2") == 1
    assert count("/v1/test-records", kit="K-1") == 1
    assert count("/v1/test-records", workshop="North") == 1
    assert count("/v1/test-records", workshop="South") == 0
    assert count("/v1/test-records", from_time="2024-07-01T00:00:00Z") == 1
    assert count("/v1/test-records", until_time="2024-07-01T00:00:00Z") == 1


def test_pages_are_complete_and_without_repeats_while_records_arrive(
    any_fleet_api: Any, record: Callable[..., dict[str, Any]]
) -> None:
    client = any_fleet_api.manager
    minimal = {"Prefer": "return=minimal"}

    def post() -> str:
        document = record()
        assert client.post("/v1/test-records", json=document, headers=minimal).status_code == 201
        return document["record_id"]

    there = [post() for _ in range(7)]
    seen: list[str] = []
    page = client.get("/v1/test-records", params={"limit": 3})
    for _ in range(20):
        seen += [item["document"]["record_id"] for item in page.json()["items"]]
        if page.json()["next_cursor"] is None:
            break
        if len(seen) < 7:
            post()
        page = client.get(page.links["next"]["url"])
    assert seen[:7] == there
    assert len(seen) == len(set(seen)) == 9
