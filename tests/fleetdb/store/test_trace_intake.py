"""Traces in the truth: one transaction, once, kept whole, and figures that can be had again."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any
from uuid import UUID, uuid4

import pytest
from sqlalchemy import func, select, update

from fleetdb.errors import ConflictError, InvalidInputError, NotFoundError, SameIdOtherBodyError
from fleetdb.records.documents import Kind
from fleetdb.store import trace_findings, trace_intake
from fleetdb.store.engine import Store
from fleetdb.store.posters import Poster
from fleetdb.store.queries import record_view
from fleetdb.store.sent_traces import Said, read_sent_trace
from fleetdb.store.stored_traces import TraceView, original_of, stored_trace
from fleetdb.store.tables import AuditEntry, TraceFiguresRow, TraceRow
from fleetdb.store.trace_intake import accept_trace
from fleetdb.store.trace_originals import DamagedOriginalError
from fleetdb.store.trace_recomputing import recompute_traces
from fleetdb.trace.figures import METHOD, figures_of
from tests.documents import post, post_family_and_vehicle
from tests.traces import climb, decay, post_trace, sent_trace, trace_document


@pytest.fixture
def record_id(store: Store) -> str:
    """The id of a record whose figures come by trace."""
    post_family_and_vehicle(store)
    return bare_record(store)


def bare_record(store: Store, **changes: Any) -> str:
    bare = {"proof": None, "build": None, "leak": None, "traces_follow": True}
    return post(store, Kind.TEST_RECORDS, **{**bare, **changes}).key


def trace_of(store: Store, record_id: str, index: int = 0) -> TraceView:
    with store.read() as session:
        return record_view(session, 1, UUID(record_id)).traces[index]


def counts(store: Store) -> tuple[int, int]:
    with store.read() as session:
        return tuple(
            session.scalar(select(func.count()).select_from(table)) or 0
            for table in (TraceRow, TraceFiguresRow)
        )  # pyright: ignore


def audited(store: Store) -> list[tuple[str, str]]:
    with store.read() as session:
        rows = session.execute(
            select(AuditEntry.action, AuditEntry.subject).order_by(AuditEntry.id)
        )
        return [(action, subject) for action, subject in rows if subject.startswith("trace")]


def test_a_trace_is_stored_once_with_its_audit_entries(store: Store, record_id: str) -> None:
    first, again = (post_trace(store, record_id) for _ in range(2))

    assert (first.already_there, again.already_there) == (False, True)
    assert first.row_id == again.row_id
    assert counts(store) == (1, 1)
    assert audited(store) == [("accepted", "traces"), ("computed", "trace_figures")]


def test_the_original_is_kept_whole_whatever_its_bytes(store: Store, record_id: str) -> None:
    content = json.dumps(trace_document(), indent=3).encode("utf-8-sig") + b"\r\n \n"
    sent = read_sent_trace(content, "application/json", Said(record_id=UUID(record_id)))
    accept_trace(store, 1, sent, "tests")

    view = trace_of(store, record_id)
    with store.read() as session:
        assert original_of(session, view) == content
        stored = session.scalars(select(TraceRow.original_zstd)).one()
    assert view.original_size_bytes == len(content) > len(stored)


def test_a_damaged_original_is_not_given_out(store: Store, record_id: str) -> None:
    post_trace(store, record_id)
    with store.write() as session:
        session.execute(update(TraceRow).values(original_zstd=b"not what came"))

    with store.read() as session, pytest.raises(DamagedOriginalError):
        original_of(session, trace_of(store, record_id))


def test_an_id_with_other_contents_is_refused_of_this_record_or_another(
    store: Store, record_id: str
) -> None:
    trace_id = str(uuid4())
    post_trace(store, record_id, trace_id=trace_id)

    with pytest.raises(SameIdOtherBodyError, match=trace_id):
        post_trace(store, record_id, trace_id=trace_id, inlet_valve_unplugged=True)
    with pytest.raises(SameIdOtherBodyError, match=trace_id):
        post_trace(store, bare_record(store), trace_id=trace_id)
    assert counts(store) == (1, 1)


def test_a_rival_that_stored_the_trace_meanwhile_is_told_apart(
    store: Store, record_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    trace_id = str(uuid4())
    original: Callable[..., Any] = trace_intake.findings_of

    def while_a_rival_stores(rival: Any) -> Callable[..., Any]:
        def findings(*args: Any) -> Any:
            monkeypatch.setattr(trace_intake, "findings_of", original)
            accept_trace(store, 1, rival, "rival")
            return original(*args)

        return findings

    sent = sent_trace(record_id, trace_id=trace_id)
    monkeypatch.setattr(trace_intake, "findings_of", while_a_rival_stores(sent))
    assert accept_trace(store, 1, sent, "tests").already_there
    other_id = str(uuid4())
    rival = sent_trace(record_id, trace_id=other_id, **climb(600.0))
    monkeypatch.setattr(trace_intake, "findings_of", while_a_rival_stores(rival))
    with pytest.raises(SameIdOtherBodyError):
        accept_trace(store, 1, sent_trace(record_id, trace_id=other_id), "tests")
    assert counts(store) == (2, 2)


def test_a_trace_of_no_record_or_of_anothers_or_too_many_is_refused(
    store: Store, record_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(NotFoundError, match="no test record"):
        post_trace(store, str(uuid4()))
    with pytest.raises(NotFoundError, match="no test record"):
        accept_trace(store, 1, sent_trace(record_id), "w", poster=Poster(99, "south shop"))
    own = accept_trace(store, 1, sent_trace(record_id), "w", poster=Poster(99, "north shop"))
    assert not own.already_there
    monkeypatch.setattr(trace_intake, "MOST_TRACES_OF_A_RECORD", 1)
    with pytest.raises(ConflictError, match="1 traces already"):
        post_trace(store, record_id, **climb(600.0))
    assert counts(store) == (1, 1)


def test_pressures_above_what_the_rail_holds_are_refused(store: Store, record_id: str) -> None:
    samples = climb()
    samples["rail_bar"] = [14.5 * bar for bar in samples["rail_bar"]]

    with pytest.raises(InvalidInputError, match="psi"):
        post_trace(store, record_id, **samples)


def test_a_trace_fills_proof_and_build_where_the_record_has_none(
    store: Store, record_id: str
) -> None:
    post_trace(store, record_id, inlet_valve_unplugged=True)

    with store.read() as session:
        view = record_view(session, 1, UUID(record_id))
    assert view.document.proof is None
    assert view.figures.raw_proof_ratio == pytest.approx(650 / 700, rel=0.002)
    assert view.effective.build is not None
    assert view.figure_sources.keys() == {"proof_ratio", "build_rate_bar_per_s"}
    assert view.remarks == []


def codes(store: Store, record_id: str, index: int = 0) -> list[str]:
    return [remark.code for remark in trace_of(store, record_id, index).in_force.remarks]


def test_a_start_up_with_the_inlet_valve_connected_gives_no_build_rate(
    store: Store, record_id: str
) -> None:
    post_trace(store, record_id, "start_up", inlet_valve_unplugged=False)

    assert codes(store, record_id) == ["build_not_clean"]
    assert trace_of(store, record_id).in_force.readings.build_rate_bar_per_s is None
    assert trace_of(store, record_id).in_force.figures["build"]["rate_bar_per_s"]["value"] > 0

    post_trace(store, record_id, "start_up")
    assert codes(store, record_id, 1) == ["inlet_valve_not_said"]
    assert trace_of(store, record_id, 1).in_force.readings.build_rate_bar_per_s is not None


@pytest.mark.parametrize(
    ("actual_bar", "rate", "expected"),
    [
        (650, None, []),
        (660, None, []),
        (690, None, ["proof_disagrees_with_trace"]),
        (600, None, ["proof_disagrees_with_trace"]),
        (650, 620.0, []),  # from 140 to 490 bar the climb's formula gives 597 bar/s
        (650, 420.0, ["build_disagrees_with_trace"]),
    ],
)
def test_a_figure_by_hand_that_its_trace_contradicts_is_remarked_and_stays(
    store: Store, actual_bar: float, rate: float | None, expected: list[str]
) -> None:
    post_family_and_vehicle(store)
    build = rate and {"rate_bar_per_s": rate}
    proof = {"target_bar": 700, "actual_bar": actual_bar}
    key = post(store, Kind.TEST_RECORDS, proof=proof, build=build, leak=None).key

    post_trace(store, key, inlet_valve_unplugged=True)

    assert codes(store, key) == expected
    with store.read() as session:
        view = record_view(session, 1, UUID(key))
    assert view.figures.raw_proof_ratio == actual_bar / 700
    assert [remark.code for remark in view.remarks] == expected


def test_pressures_a_tenth_of_what_they_should_be_are_asked_about(
    store: Store, record_id: str
) -> None:
    in_bar = climb()
    in_mpa = {**in_bar, "rail_bar": [bar / 10.0 for bar in in_bar["rail_bar"]]}
    post_trace(store, record_id, **in_mpa, inlet_valve_unplugged=True)
    post_trace(store, record_id, **in_bar, inlet_valve_unplugged=True)

    assert codes(store, record_id) == ["very_low_pressure"]
    assert "rail_mpa" in trace_of(store, record_id).in_force.remarks[0].detail
    assert codes(store, record_id, 1) == []


def test_a_hold_gives_the_flow_that_leaves_the_rail(store: Store, record_id: str) -> None:
    post_trace(store, record_id, "hold", **decay())

    readings = trace_of(store, record_id).in_force.readings
    assert readings.hold_leak_ml_per_min is not None
    assert readings.hold_leak_ml_per_min > 0
    assert readings.proof_actual_bar is None
    assert readings.fuel_temp_c == 40.0


def test_figures_are_worked_out_anew_from_originals_and_the_old_ones_stay(
    store: Store, record_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    post_trace(store, record_id)
    post_trace(store, record_id, "hold")
    assert recompute_traces(store, 1, "tests").unchanged == 2
    assert counts(store) == (2, 2)

    def newer(*args: Any) -> Any:
        figures = figures_of(*args)
        object.__setattr__(figures, "method", figures.method + 1)
        return figures

    monkeypatch.setattr(trace_findings, "figures_of", newer)
    done: list[tuple[int, int]] = []
    result = recompute_traces(store, 1, "tests", lambda n, of: done.append((n, of)))

    assert (result.changed, result.unchanged, result.refused) == (2, 0, [])
    assert done == [(1, 2), (2, 2)]
    view = trace_of(store, record_id)
    assert [entry.method for entry in view.computed] == [METHOD, METHOD + 1]
    assert view.source.method == METHOD + 1
    assert audited(store)[-1] == ("computed", "trace_figures")
    assert recompute_traces(store, 1, "tests").changed == 0


def test_a_trace_the_present_method_refuses_keeps_its_figures(
    store: Store, record_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    post_trace(store, record_id)

    def refusing(*_: Any) -> Any:
        raise InvalidInputError.at("/rail_bar", "no longer taken")

    monkeypatch.setattr("fleetdb.store.trace_recomputing.findings_of", refusing)
    result = recompute_traces(store, 1, "tests")

    assert (result.changed, result.unchanged) == (0, 0)
    [(view, error)] = result.refused
    assert view.record_id == UUID(record_id)
    assert "no longer taken" in str(error)
    assert counts(store) == (1, 1)


def test_a_trace_is_found_by_its_record_and_id(store: Store, record_id: str) -> None:
    accepted = post_trace(store, record_id)

    with store.read() as session:
        assert stored_trace(session, 1, UUID(record_id), accepted.trace_id).n_samples == 800
        for fleet_id, record, trace_id in (
            (2, UUID(record_id), accepted.trace_id),
            (1, uuid4(), accepted.trace_id),
            (1, UUID(record_id), uuid4()),
        ):
            with pytest.raises(NotFoundError):
                stored_trace(session, fleet_id, record, trace_id)
