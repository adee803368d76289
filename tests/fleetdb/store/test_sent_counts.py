"""What was not stored is counted: by day, workshop, kind, reason and field, and nothing else."""

from __future__ import annotations

import json
import logging
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, text

from fleetdb.errors import ConflictError, FleetDbError, InvalidInputError, SameIdOtherBodyError
from fleetdb.records.documents import Kind
from fleetdb.store.engine import Store
from fleetdb.store.loading import load_paths
from fleetdb.store.sent_counts import (
    KEPT,
    Sent,
    SentTotal,
    note_sent,
    refused,
    sent_again,
    sent_totals,
    workshop_in,
)
from fleetdb.store.tables import SentCount
from tests.documents import post, post_family_and_vehicle, values_of

TODAY = datetime.now(UTC).date()


def totals(store: Store, fleet_id: int = 1) -> list[SentTotal]:
    with store.read() as session:
        return sent_totals(session, fleet_id, TODAY - timedelta(days=1), TODAY)


@pytest.mark.parametrize(
    ("error", "code", "pointer"),
    [
        (InvalidInputError.at("/proof/actual_bar", "x"), "invalid", "/proof/actual_bar"),
        (InvalidInputError.at("/leak/cylinders/11/ml", "x"), "invalid", "/leak/cylinders/*/ml"),
        # A sender may invent names; they are not kept.
        (InvalidInputError.at("/J. Doe, 1 Any Street", "x"), "invalid", "/?"),
        (InvalidInputError.at("", "x"), "invalid", ""),
        (SameIdOtherBodyError("test record", "1", "/record_id"), "other_contents", ""),
        (ConflictError("x"), "conflict", ""),
        (FleetDbError("x"), "other", ""),
    ],
)
def test_a_refusal_is_its_reason_and_the_first_field(
    error: FleetDbError, code: str, pointer: str
) -> None:
    assert refused("findings", error, None) == Sent("findings", code, pointer, "")


def test_counts_of_a_day_add_up_and_only_registered_workshops_are_named(store: Store) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS)  # registers the north shop
    known, other = (
        refused("test_records", InvalidInputError.at("/vehicle", "x"), name)
        for name in ("north shop", "<script>")
    )
    again = sent_again("test_records", "north shop")
    note_sent(store, 1, Counter({known: 2, other: 1}))
    note_sent(store, 1, Counter({known: 3, again: 4}))
    note_sent(store, 1, Counter())
    assert [(t.workshop, t.code, t.pointer, t.n, t.last_day) for t in totals(store)] == [
        ("north shop", "invalid", "/vehicle", 5, TODAY),
        ("north shop", "sent_again", "", 4, TODAY),
        ("", "invalid", "/vehicle", 1, TODAY),
    ]


def test_old_counts_go(store: Store) -> None:
    long_ago = TODAY - KEPT - timedelta(days=1)
    row = {"workshop": "", "kind": "findings", "code": "invalid", "pointer": "", "n": 1}
    with store.write() as session:
        session.add(SentCount(fleet_id=1, day=long_ago, **row))
        session.add(SentCount(fleet_id=1, day=TODAY - KEPT, **row))
    note_sent(store, 1, Counter([sent_again("findings", None)]))
    with store.read() as session:
        days = session.scalars(select(SentCount.day).order_by(SentCount.day)).all()
    assert days == [TODAY - KEPT, TODAY]


def test_where_counting_fails_nothing_else_does(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    with store.write() as session:
        session.execute(text("DROP TABLE sent_counts"))
    with caplog.at_level(logging.WARNING):
        note_sent(store, 1, Counter([sent_again("findings", None)]))
    assert "could not be counted" in caplog.text


def test_a_text_that_cannot_be_read_names_no_workshop() -> None:
    assert workshop_in(b'{"workshop": "north shop"}') == "north shop"
    for content in (b"", b"{", b"[]", b'{"workshop": 3}', b"\xff"):
        assert workshop_in(content) is None


def test_a_load_counts_what_it_refuses_and_what_was_there(store: Store, tmp_path: Path) -> None:
    post_family_and_vehicle(store)
    lines = [
        values_of(Kind.TEST_RECORDS),
        values_of(Kind.TEST_RECORDS, vehicle="V-99"),
        values_of(Kind.TEST_RECORDS, colour="red"),
    ]
    file = tmp_path / "test_records.ndjson"
    file.write_text("\n".join(map(json.dumps, lines)) + "\n{\n")
    for n in (1, 2):
        load_paths(store, 1, [file], tmp_path / f"refused-{n}.ndjson", "tests")
    assert {(t.workshop, t.code, t.pointer, t.n) for t in totals(store)} == {
        ("north shop", "invalid", "/vehicle", 2),
        ("north shop", "invalid", "/?", 2),
        ("north shop", "sent_again", "", 1),
        ("", "invalid", "", 2),
    }
