"""Equal contents have equal digests however they are written; other contents have others."""

from __future__ import annotations

import json
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetdb.records.digest import digest
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from tests.documents import EXAMPLES, TEST_RECORD
from tests.strategies import VALID, zones


def digest_of(kind: Kind, values: dict[str, Any] | str) -> str:
    return digest(parse_document(kind, values))


def rewritten(value: Any, data: st.DataObject) -> Any:
    """Write the same JSON value in another way."""
    if isinstance(value, dict):
        items = [(name, rewritten(entry, data)) for name, entry in value.items()]
        items = [(n, v) for n, v in items if v is not None or data.draw(st.booleans())]
        return dict(data.draw(st.permutations(items)))
    if isinstance(value, list):
        return data.draw(st.permutations([rewritten(entry, data) for entry in value]))
    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, int) and data.draw(st.booleans()):
        return float(value)
    if value == 0 and data.draw(st.booleans()):
        return -0.0
    return value


@pytest.mark.parametrize("kind", Kind)
@given(data=st.data())
def test_the_way_of_writing_makes_no_difference(kind: Kind, data: st.DataObject) -> None:
    values = data.draw(VALID[kind])
    other = rewritten(values, data)
    for name in ("performed_at", "fitted_at", "found_at", "calibrated_at"):
        if name in other:
            moment = datetime.fromisoformat(other[name]).astimezone(data.draw(zones))
            other[name] = moment.isoformat()

    assert digest_of(kind, json.dumps(other, indent=1)) == digest_of(kind, values)


@pytest.mark.parametrize("kind", Kind)
def test_every_field_makes_a_difference(kind: Kind) -> None:
    seen = {digest_of(kind, EXAMPLES[kind])}
    changes: dict[str, Any] = {
        "cylinders": 6,
        "cylinder": 3,
        "part": "injector" if kind is Kind.FINDINGS else None,
        "outcome": "no_fault_found",
        "applies_from": "2024-01-01",
        "pumping_elements": 4,
        "traces_follow": True,
        "conditions": {"fuel_temp_c": 38.5},
        "proof": {"target_bar": 700, "actual_bar": 650},
        "build": {"rate_bar_per_s": 310},
        "leak": {"duration_s": 30, "cylinders": [{"cylinder": 1, "ml": 12}]},
    }
    for name, value in EXAMPLES[kind].items():
        if name in changes:
            changed = changes[name]
        elif name.endswith("_id") or name == "supersedes":
            changed = "00000000-0000-4000-8000-0000000000aa"
        elif name.endswith("_at"):
            changed = "2024-06-03T08:30:00.000001+02:00"
        elif name.endswith("_on"):
            changed = "2023-03-01"
        else:
            changed = value + "x" if isinstance(value, str) else value + 0.25
        if changed is not None:
            seen.add(digest_of(kind, {**EXAMPLES[kind], name: changed}))

    skipped = 1 if kind is Kind.FITMENTS else 0  # its part decides whether it has a cylinder
    assert len(seen) == 1 + len(EXAMPLES[kind]) - skipped


def test_an_empty_object_counts_as_none() -> None:
    empty = {**TEST_RECORD, "conditions": {}}
    absent = {name: value for name, value in TEST_RECORD.items() if name != "conditions"}

    assert digest_of(Kind.TEST_RECORDS, empty) == digest_of(Kind.TEST_RECORDS, absent)


def test_a_digest_is_the_sha256_of_the_canonical_text() -> None:
    # Fixed by hand: digests of stored documents must never change.
    # Made with sha256sum from
    # {"in_service_on":"2022-03-01","pump_family":"fam-x","vehicle":"V-17"}
    values = {"vehicle": "V-17", "pump_family": "fam-x", "in_service_on": "2022-03-01"}

    assert (
        digest_of(Kind.VEHICLES, values)
        == "0b7e2c2b5105f788af3d52e334e5b7db1b076da0e231f03365e8738754e09742"
    )


def test_a_time_given_in_python_counts_as_the_time_it_names() -> None:
    eastern = timezone(timedelta(hours=5))
    moment = datetime(2024, 6, 3, 11, 30, tzinfo=eastern)

    assert digest_of(Kind.TEST_RECORDS, {**TEST_RECORD, "performed_at": moment}) == digest_of(
        Kind.TEST_RECORDS, TEST_RECORD
    )
