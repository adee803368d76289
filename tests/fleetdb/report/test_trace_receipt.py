from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest

from fleetdb.cautions import CAUTIONS
from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.report.receipt import Received
from fleetdb.report.trace_picture import stored_trace_svg
from fleetdb.report.trace_receipt import receive_trace
from fleetdb.settings import Settings
from fleetdb.store.amending import void_document
from fleetdb.store.engine import Store
from fleetdb.store.sent_traces import SentTrace
from tests.documents import post, post_family_and_vehicle
from tests.traces import sent_trace


@pytest.fixture
def sent(store: Store) -> SentTrace:
    """A trace of a record that has no figure of its own."""
    post_family_and_vehicle(store)
    bare = {"proof": None, "build": None, "leak": None, "traces_follow": True}
    return sent_trace(post(store, Kind.TEST_RECORDS, **bare).key, inlet_valve_unplugged=True)


def receive(store: Store, settings: Settings, sent: SentTrace, **options: Any) -> Received:
    return receive_trace(store, settings, 1, sent, "tests", None, None, **options)


def test_a_receipt_is_kept_and_given_again(
    store: Store, settings: Settings, sent: SentTrace
) -> None:
    first, again = receive(store, settings, sent), receive(store, settings, sent)

    assert (first.already_there, again.already_there) == (False, True)
    assert first.receipt == again.receipt
    assert first.receipt["verdict"]["vehicle"] == "V-17"
    assert first.receipt["cautions"] == list(CAUTIONS)
    short = receive(store, settings, sent, with_verdict=False).receipt
    assert short == {k: v for k, v in first.receipt.items() if k != "verdict"}


def test_a_trace_whose_verdict_fails_is_stored_and_gets_it_later(
    store: Store, settings: Settings, sent: SentTrace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: Any) -> Any:
        raise OSError("no space left")

    with monkeypatch.context() as patch:
        patch.setattr("fleetdb.report.receipt.current_verdict", failing)
        first = receive(store, settings, sent).receipt
    later = receive(store, settings, sent)

    assert first["verdict"] is None
    assert "the trace is stored" in first["verdict_missing"]
    assert first["record_figures"] == later.receipt["record_figures"]
    assert later.already_there
    assert later.receipt["verdict"]["n_tests"] == 1


def codes(receipt: dict[str, Any]) -> list[str]:
    return [remark["code"] for remark in receipt["remarks"]]


def test_a_trace_of_a_superseded_record_is_told_where_it_would_count(
    store: Store, settings: Settings, sent: SentTrace
) -> None:
    bare = {"proof": None, "build": None, "leak": None, "traces_follow": True}
    newer = post(
        store, Kind.TEST_RECORDS, supersedes=str(sent.record_id), record_id=str(uuid4()), **bare
    ).key

    receipt = receive(store, settings, sent).receipt

    [remark] = [r for r in receipt["remarks"] if r["code"] == "record_superseded"]
    assert remark["pointer"] == "/record_id" and newer in remark["detail"]
    assert receive(store, settings, sent_trace(newer)).receipt["remarks"] == []


def test_a_trace_of_a_withdrawn_record_is_told_that_it_does_not_count(
    store: Store, settings: Settings, sent: SentTrace
) -> None:
    first = receive(store, settings, sent, with_verdict=False).receipt
    with store.write() as session:
        void_document(session, 1, Kind.TEST_RECORDS, sent.record_id, "wrong vehicle", "tests")
    again = receive(store, settings, sent, with_verdict=False).receipt

    assert "record_void" not in codes(first)
    assert "record_void" in codes(again)
    assert "wrong vehicle" in again["remarks"][-1]["detail"]


def test_a_stored_trace_is_drawn_from_its_original(
    store: Store, settings: Settings, sent: SentTrace
) -> None:
    receive(store, settings, sent, with_verdict=False)

    drawn = stored_trace_svg(store, 1, sent.record_id, sent.trace_id, None)

    assert drawn.startswith("<svg")
    assert "plateau" in drawn
    with pytest.raises(NotFoundError, match="no trace"):
        stored_trace_svg(store, 1, sent.record_id, uuid4(), None)
