"""`fleetdb void` withdraws one document, and says so."""

from __future__ import annotations

import json
from pathlib import Path
from uuid import uuid4

import pytest

from fleetdb.records.documents import Kind
from fleetdb.store.voids import VOIDABLE
from tests.documents import EXAMPLES, FAMILY, ID_FIELDS, VEHICLE
from tests.fleetdb.cli.conftest import Run


def load(run: Run, kind: Kind) -> str:
    """Load the example of a kind, and what it refers to; return its id."""
    documents = {"pump_families": FAMILY, "vehicles": VEHICLE, kind.value: EXAMPLES[kind]}
    for name, document in documents.items():
        Path(f"{name}.ndjson").write_text(json.dumps(document))
    assert run("load", ".").code == 0
    return EXAMPLES[kind][ID_FIELDS[kind]]


@pytest.mark.parametrize("kind", list(VOIDABLE))
def test_a_document_is_withdrawn_once(run: Run, kind: Kind) -> None:
    document_id = load(run, kind)
    command = ("void", kind.value, document_id, "--reason")

    first, again, other = run(*command, "why"), run(*command, "why"), run(*command, "or not")

    noun = VOIDABLE[kind].noun
    assert first.code == 0
    assert first.out.startswith(f"{noun} {document_id} is void since 20")
    assert first.out.endswith(": why\n")
    assert (again.code, again.out) == (0, first.out)
    assert (other.code, other.err) == (1, f"Error: {noun} {document_id} was voided before: why\n")


def test_the_history_shows_what_was_withdrawn_and_why(run: Run) -> None:
    finding_id = load(run, Kind.FINDINGS)

    run("void", "findings", finding_id, "--reason", "other vehicle")

    assert "void: other vehicle" in run("history", "V-17").out
    [event] = json.loads(run("history", "V-17", "--format", "json").out)["events"]
    assert event["void_reason"] == "other vehicle"


def test_what_cannot_be_withdrawn_is_told(run: Run) -> None:
    assert run("void", "vehicles", str(uuid4()), "--reason", "sold").code == 2
    assert run("void", "findings", "seven", "--reason", "why").code == 2
    assert run("void", "findings", str(uuid4())).code == 2
    assert run("void", "findings", str(uuid4()), "--reason", "").code == 2
    unknown = run("void", "findings", str(uuid4()), "--reason", "why")
    assert unknown.code == 1
    assert "finding" in unknown.err
