"""`fleetdb history` tells a vehicle's life in time order, for people and for programs."""

from __future__ import annotations

import json
from uuid import UUID

import pytest

from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind
from fleetdb.store.amending import void_record
from fleetdb.store.engine import Store
from tests.documents import EXAMPLES, post
from tests.fleetdb.cli.conftest import Run


@pytest.fixture
def filled(store: Store) -> Store:
    for kind in Kind:
        post(store, kind, **EXAMPLES[kind])
    return store


def test_the_table_tells_fitments_tests_and_findings_in_order(run: Run, filled: Store) -> None:
    out = run("history", "V-17").out

    assert out.startswith("V-17: pump family fam-x, depot north yard, in service on 2022-03-01")
    told = ["injector, cylinder 2", "proof 650 of 700 bar (ratio 0.93)", "pump: worn confirmed"]
    places = [out.index(text) for text in told]
    assert places == sorted(places)
    assert "leak 101.0 ml/min" in out  # (12 + 14.5 + 11 + 13) ml in half a minute
    assert "61,250" in out
    assert " ".join(out.split()).endswith(" ".join(CAUTIONS))


def test_what_senders_wrote_is_shown_as_it_is(run: Run, filled: Store) -> None:
    post(filled, Kind.FINDINGS, note="[bold]see[/bold] [link=x]note[/link]")

    assert "[bold]see[/bold]" in run("history", "V-17").out


def test_oddities_and_withdrawals_are_told(run: Run, filled: Store) -> None:
    later = post(
        filled,
        Kind.TEST_RECORDS,
        performed_at="2024-08-01T00:00:00Z",
        odometer_km=5,
        kit=None,
    )
    with filled.write() as session:
        void_record(session, 1, UUID(later.key), "wrong vehicle", "tests")

    out = " ".join(run("history", "V-17").out.split())

    assert "void: wrong vehicle" in out
    assert "no kit named" in out
    assert "5 km is below the 61250.5 km of 2024-06-03" in out


def test_json_gives_the_documents_as_they_were_sent(run: Run, filled: Store) -> None:
    ran = run("history", "V-17", "--format", "json")

    history = json.loads(ran.out)
    assert [event["kind"] for event in history["events"]] == [
        "fitments",
        "test_records",
        "findings",
    ]
    test = history["events"][1]
    assert test["at"] == "2024-06-03T06:30:00Z"
    assert test["raw_proof_ratio"] == pytest.approx(650 / 700)
    sent = {name: value for name, value in EXAMPLES[Kind.TEST_RECORDS].items() if value is not None}
    assert test["document"] == {**sent, "performed_at": "2024-06-03T06:30:00Z"}
    assert history["versions"] == [EXAMPLES[Kind.VEHICLES]]
    assert history["cautions"] == list(CAUTIONS)


def test_an_unknown_vehicle_is_an_error(run: Run, filled: Store) -> None:
    ran = run("history", "V-99")

    assert (ran.code, ran.out) == (1, "")
    assert ran.err == "Error: no vehicle 'V-99' in this fleet\n"
