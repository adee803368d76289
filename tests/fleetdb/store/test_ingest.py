"""What becomes of documents: stored once, refused without a trace, never overwritten."""

from __future__ import annotations

import threading
from typing import Any
from uuid import UUID, uuid4

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from sqlalchemy import func, select, text

from fleetdb.errors import FleetDbError, InvalidInputError, SameIdOtherBodyError
from fleetdb.records.digest import digest
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet
from fleetdb.store.ingest import Accepted, accept, accept_many, judge
from fleetdb.store.stored_documents import Page, read_documents
from fleetdb.store.tables import AuditEntry, Base, Depot, Kit, Workshop
from tests.documents import (
    EXAMPLES,
    ID_FIELDS,
    document_of,
    post,
    post_family_and_vehicle,
    values_of,
)
from tests.strategies import VALID


def row_counts(store: Store) -> dict[str, int]:
    with store.read() as session:
        return {
            name: session.execute(select(func.count()).select_from(table)).scalar_one()
            for name, table in Base.metadata.tables.items()
        }


def post_many(store: Store, kind: Kind, *values: dict[str, Any]) -> list[Accepted | FleetDbError]:
    with store.write() as session:
        documents = [parse_document(kind, entry) for entry in values]
        return accept_many(session, 1, kind, documents, "tests")


@pytest.mark.parametrize("kind", Kind)
def test_a_document_is_stored_once(store: Store, kind: Kind) -> None:
    if kind is not Kind.PUMP_FAMILIES:
        post(store, Kind.PUMP_FAMILIES)
    if kind not in (Kind.PUMP_FAMILIES, Kind.VEHICLES):
        post(store, Kind.VEHICLES)
    document = parse_document(kind, EXAMPLES[kind])

    with store.write() as session:
        first = accept(session, 1, kind, document, "tests")
    counts = row_counts(store)
    with store.write() as session:
        second = accept(session, 1, kind, document, "tests")

    assert not first.already_there
    assert second.already_there
    assert (second.key, second.row_id, second.remarks) == (first.key, first.row_id, first.remarks)
    assert row_counts(store) == counts


@pytest.mark.parametrize("kind", Kind)
def test_the_same_id_with_other_contents_is_a_conflict(store: Store, kind: Kind) -> None:
    post_family_and_vehicle(store)
    fixed = EXAMPLES[kind]
    post(store, kind, **fixed)
    counts = row_counts(store)
    other: dict[Kind, dict[str, Any]] = {
        Kind.PUMP_FAMILIES: {"proof_duty_pct": 46},
        Kind.VEHICLES: {"depot": "south yard"},
        Kind.FITMENTS: {"serial": "INJ-205"},
    }

    with pytest.raises(SameIdOtherBodyError) as caught:
        post(store, kind, **{**fixed, **other.get(kind, {"note": "another"})})

    assert caught.value.pointer in {"/" + name for name in fixed}
    assert row_counts(store) == counts


def test_a_refused_document_leaves_nothing_behind(store: Store) -> None:
    post_family_and_vehicle(store)
    counts = row_counts(store)

    for kind in (Kind.FITMENTS, Kind.TEST_RECORDS, Kind.FINDINGS):
        with pytest.raises(InvalidInputError) as caught:
            post(store, kind, vehicle="V-99")
        assert [problem.pointer for problem in caught.value.problems] == ["/vehicle"]
    with pytest.raises(InvalidInputError):
        post(
            store,
            Kind.TEST_RECORDS,
            kit="gauge 99",
            workshop="elsewhere",
            proof={"target_bar": 700, "actual_bar": 9427},
        )
    with pytest.raises(InvalidInputError):
        post(store, Kind.VEHICLES, vehicle="V-18", pump_family="fam-y", depot="elsewhere")

    assert row_counts(store) == counts


def test_a_slip_in_a_batch_refuses_itself_only(store: Store) -> None:
    post_family_and_vehicle(store)
    good = [values_of(Kind.TEST_RECORDS) for _ in range(3)]
    slip = values_of(Kind.TEST_RECORDS, proof={"target_bar": 700, "actual_bar": 9427})
    other = {**good[0], "note": "another"}

    results = post_many(store, Kind.TEST_RECORDS, good[0], slip, good[1], good[0], other, good[2])

    assert [type(result).__name__ for result in results] == [
        "Accepted",
        "InvalidInputError",
        "Accepted",
        "Accepted",
        "SameIdOtherBodyError",
        "Accepted",
    ]
    there = [result.already_there for result in results if isinstance(result, Accepted)]
    assert there == [False, False, True, False]
    assert row_counts(store)["test_records"] == 3
    assert row_counts(store)["cylinder_leak_readings"] == 12


def test_a_refused_document_does_not_stand_for_a_later_good_one(store: Store) -> None:
    post_family_and_vehicle(store)
    good = values_of(Kind.TEST_RECORDS)
    slip = {**good, "vehicle": "V-71"}

    refused, accepted = post_many(store, Kind.TEST_RECORDS, slip, good)

    assert isinstance(refused, InvalidInputError)
    assert isinstance(accepted, Accepted) and not accepted.already_there


def test_every_change_is_audited_in_its_own_transaction(store: Store) -> None:
    post_family_and_vehicle(store)
    accepted = post(store, Kind.TEST_RECORDS)
    with pytest.raises(SameIdOtherBodyError):
        post(store, Kind.VEHICLES, depot="south yard")

    with store.read() as session:
        entries = session.scalars(select(AuditEntry).order_by(AuditEntry.id)).all()
        written_by = [entry.written_by for entry in entries]
        last = entries[-1]
        assert [(e.action, e.subject) for e in entries] == [
            ("added", "fleets"),
            ("accepted", "pump_families"),
            ("accepted", "vehicles"),
            ("accepted", "test_records"),
        ]
        assert (last.subject_row_id, last.actor, last.fleet_id) == (accepted.row_id, "tests", 1)
        if session.get_bind().dialect.name == "postgresql":
            # Each change was a transaction; none is newer than the one reading.
            newest = session.execute(
                text("SELECT pg_snapshot_xmax(pg_current_snapshot())::text::bigint")
            ).scalar_one()
            assert sorted(set(written_by)) == written_by
            assert 0 < written_by[0] <= written_by[-1] < newest
        else:
            assert set(written_by) == {0}


def test_names_are_registered_when_first_named(store: Store) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS, kit="gauge 1", workshop="w 1")
    post(store, Kind.TEST_RECORDS, kit="gauge 1", workshop="w 2")
    post(store, Kind.KIT_CALIBRATIONS, kit="gauge 2")

    with store.read() as session:
        for table, names in (
            (Kit, ["gauge 1", "gauge 2"]),
            (Workshop, ["w 1", "w 2"]),
            (Depot, ["north yard"]),
        ):
            assert session.scalars(select(table.name).order_by(table.name)).all() == names


def test_fleets_do_not_see_each_other(store: Store) -> None:
    with store.write() as session:
        other = add_fleet(session, "other", "tests").id
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS, **EXAMPLES[Kind.TEST_RECORDS])

    with pytest.raises(InvalidInputError, match="no pump family"):
        post(store, Kind.VEHICLES, other)
    with pytest.raises(InvalidInputError, match="no vehicle"):
        post(store, Kind.TEST_RECORDS, other)
    post_family_and_vehicle(store, other)
    with pytest.raises(InvalidInputError, match="no test record"):
        post(store, Kind.TEST_RECORDS, other, supersedes=EXAMPLES[Kind.TEST_RECORDS]["record_id"])
    # The same id may come again in another fleet.
    accepted = post(store, Kind.TEST_RECORDS, other, **EXAMPLES[Kind.TEST_RECORDS])
    assert not accepted.already_there


def test_a_record_supersedes_one_that_is_there_and_only_once(store: Store) -> None:
    post_family_and_vehicle(store)
    old, new, third = (values_of(Kind.TEST_RECORDS) for _ in range(3))
    new["supersedes"] = third["supersedes"] = old["record_id"]

    with pytest.raises(InvalidInputError, match="there is no test record"):
        post(store, Kind.TEST_RECORDS, **new)
    results = post_many(store, Kind.TEST_RECORDS, old, new, third)

    assert [isinstance(result, Accepted) for result in results] == [True, True, False]
    with pytest.raises(InvalidInputError, match=f"superseded by {new['record_id']} already"):
        post(store, Kind.TEST_RECORDS, **third)
    third["supersedes"] = new["record_id"]
    assert not post(store, Kind.TEST_RECORDS, **third).already_there


def test_the_family_version_in_force_at_the_test_decides(store: Store) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.PUMP_FAMILIES, applies_from="2024-06-01", proof_target_bar=800)
    before = {"performed_at": "2024-05-31T12:00:00Z"}
    after = {"performed_at": "2024-06-01T12:00:00Z"}

    for moment, target_bar in ((before, 700), (after, 800)):
        post(
            store,
            Kind.TEST_RECORDS,
            **moment,
            proof={"target_bar": target_bar, "actual_bar": 650},
        )
    with pytest.raises(InvalidInputError, match="differs from fam-x's 800"):
        post(store, Kind.TEST_RECORDS, **after, proof={"target_bar": 700, "actual_bar": 650})


@pytest.mark.parametrize("kind", Kind)
@hypothesis_settings(max_examples=6, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_what_is_read_back_has_the_digest_of_what_was_sent(
    store: Store, kind: Kind, data: st.DataObject
) -> None:
    post_family_and_vehicle(store)
    sent = data.draw(st.lists(VALID[kind], min_size=1, max_size=6))
    for values in sent:
        # Examples share one store, so ids must not come back in the next.
        id_field = ID_FIELDS.get(kind, {"vehicles": "vehicle"}.get(kind.value, "pump_family"))
        values[id_field] = str(uuid4())
    documents = [parse_document(kind, values) for values in sent]

    with store.write() as session:
        results = accept_many(session, 1, kind, documents, "tests")
    row_ids = [result.row_id for result in results if isinstance(result, Accepted)]
    assert len(row_ids) == len(documents), results
    with store.read() as session:
        tables = {"pump_families": "pump_family_versions", "vehicles": "vehicle_versions"}
        kept = Base.metadata.tables[tables.get(kind.value, kind.value)]
        condition = kept.c.id.in_(row_ids)
        stored = {e.row_id: e.document for e in read_documents(session, kind, Page(condition))}
        digests = dict(session.execute(select(kept.c.id, kept.c.digest).where(condition)).all())

    for row_id, document in zip(row_ids, documents, strict=True):
        assert digest(stored[row_id]) == digests[row_id] == digest(document)


def test_two_identical_posts_at_once_are_stored_once(postgres_store: Store) -> None:
    store = postgres_store
    post_family_and_vehicle(store)
    for _ in range(5):
        document = document_of(Kind.TEST_RECORDS, kit=f"gauge {uuid4()}")
        answers = at_once(store, Kind.TEST_RECORDS, document, document)
        assert sorted(a.already_there for a in answers if isinstance(a, Accepted)) == [False, True]

    assert row_counts(store)["test_records"] == 5
    assert row_counts(store)["proof_readings"] == 5


def test_two_versions_of_one_id_at_once_leave_one_and_a_conflict(postgres_store: Store) -> None:
    store = postgres_store
    post_family_and_vehicle(store)
    values = values_of(Kind.VEHICLES, vehicle="V-18")
    one = parse_document(Kind.VEHICLES, values)
    other = parse_document(Kind.VEHICLES, {**values, "depot": "south yard"})

    answers = at_once(store, Kind.VEHICLES, one, other)

    assert sorted(type(answer).__name__ for answer in answers) == [
        "Accepted",
        "SameIdOtherBodyError",
    ]


def test_two_corrections_of_one_record_at_once_leave_one(postgres_store: Store) -> None:
    store = postgres_store
    post_family_and_vehicle(store)
    old = post(store, Kind.TEST_RECORDS)
    corrections = [document_of(Kind.TEST_RECORDS, supersedes=old.key) for _ in range(2)]

    answers = at_once(store, Kind.TEST_RECORDS, *corrections)

    [refused] = [answer for answer in answers if isinstance(answer, InvalidInputError)]
    assert refused.problems[0].pointer == "/supersedes"
    assert row_counts(store)["test_records"] == 2


def test_what_is_repeated_in_a_batch_that_lost_is_answered_too(postgres_store: Store) -> None:
    store = postgres_store
    post_family_and_vehicle(store)
    values = values_of(Kind.TEST_RECORDS)
    one = parse_document(Kind.TEST_RECORDS, values)
    other = parse_document(Kind.TEST_RECORDS, {**values, "note": "another"})
    with store.write() as first, store.write() as second:
        accept(first, 1, Kind.TEST_RECORDS, other, "tests")
        answers: list[Accepted | FleetDbError] = []
        thread = threading.Thread(
            target=lambda: answers.extend(
                accept_many(second, 1, Kind.TEST_RECORDS, [one, other, one], "tests")
            )
        )
        thread.start()
        thread.join(0.5)
        assert thread.is_alive(), "the second must wait for what the first is doing"
        first.commit()
        thread.join(10)

    kinds = [type(answer).__name__ for answer in answers]
    assert kinds == ["SameIdOtherBodyError", "Accepted", "SameIdOtherBodyError"]
    assert isinstance(answers[1], Accepted) and answers[1].already_there


def at_once(store: Store, kind: Kind, *documents: Any) -> list[Accepted | FleetDbError]:
    """Post documents from a thread each, all in transactions that began before any wrote.

    Each is posted twice in its transaction, which must not change its answer.
    """
    barrier = threading.Barrier(len(documents))
    answers: list[Accepted | FleetDbError] = []

    def run(document: Any) -> None:
        with store.write() as session:
            barrier.wait(10)
            answer, again = accept_many(session, 1, kind, [document, document], "tests")
        assert isinstance(again, Accepted) == isinstance(answer, Accepted)
        answers.append(answer)

    threads = [threading.Thread(target=run, args=(document,)) for document in documents]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(answers) == len(documents)
    return answers


def test_a_record_id_is_kept_as_sent(store: Store) -> None:
    post_family_and_vehicle(store)
    record_id = UUID("ABCDEF00-0000-4000-8000-000000000001")

    accepted = post(store, Kind.TEST_RECORDS, record_id=str(record_id).upper())

    assert accepted.key == str(record_id)


def test_judging_finds_what_accepting_would_and_stores_nothing(store: Store) -> None:
    post_family_and_vehicle(store)
    kind = Kind.TEST_RECORDS
    documents = [
        document_of(kind, kit=None),
        document_of(kind, vehicle="V-9"),
        document_of(kind, proof={"target_bar": 700, "actual_bar": 9427}),
    ]
    counts = row_counts(store)
    with store.write() as session:
        judged = judge(session, 1, kind, documents)
    assert row_counts(store) == counts
    with store.write() as session:
        results = accept_many(session, 1, kind, documents, "tests")
    for (problems, remarks), result in zip(judged, results, strict=True):
        if isinstance(result, InvalidInputError):
            assert problems == result.problems
        else:
            assert isinstance(result, Accepted) and (problems, remarks) == ([], result.remarks)
    assert [bool(problems) for problems, _ in judged] == [False, True, True]
