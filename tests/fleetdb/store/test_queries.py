"""Questions to the truth, answered for one fleet and by hand-checkable examples."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID, uuid4

import pytest
from sqlalchemy import event

from fleetdb.errors import InvalidInputError, NotFoundError
from fleetdb.records.documents import Document, Kind, TestRecord
from fleetdb.records.parsing import parse_as
from fleetdb.store.amending import amend_vehicle, void_record
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet
from fleetdb.store.queries import (
    LARGEST_PAGE,
    DocumentFilter,
    list_documents,
    odometer_remark,
    record_view,
    vehicle_history,
)
from tests.documents import EXAMPLES, VEHICLE, document_of, post, post_family_and_vehicle


def post_everything(store: Store) -> None:
    for kind in Kind:
        post(store, kind, **EXAMPLES[kind])


def test_a_record_is_seen_with_what_became_of_it(store: Store) -> None:
    post_family_and_vehicle(store)
    old = post(store, Kind.TEST_RECORDS, kit=None)
    new = post(store, Kind.TEST_RECORDS, supersedes=old.key)

    with store.read() as session:
        view = record_view(session, 1, UUID(old.key))
        correction = record_view(session, 1, UUID(new.key))
        for fleet_id, record_id in ((1, uuid4()), (2, UUID(old.key))):
            with pytest.raises(NotFoundError):
                record_view(session, fleet_id, record_id)

    assert view.superseded_by == UUID(new.key)
    assert view.voided_at is None
    assert view.figures.raw_proof_ratio == 650 / 700
    assert [remark.code for remark in view.remarks] == ["no_kit"]
    assert correction.superseded_by is None
    assert correction.document.supersedes == UUID(old.key)


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_is_listed_as_it_was_sent(store: Store, kind: Kind) -> None:
    post_everything(store)

    with store.read() as session:
        [listed] = list_documents(session, 1, kind)
        assert listed.document == document_of(kind, **EXAMPLES[kind])
        assert list_documents(session, 1, kind, after_id=listed.row_id) == []
        assert list_documents(session, 2, kind) == []


def test_pages_follow_each_other_without_gap_or_double(store: Store) -> None:
    post_family_and_vehicle(store)
    sent = [post(store, Kind.TEST_RECORDS).key for _ in range(7)]

    seen: list[str] = []
    after_id = 0
    with store.read() as session:
        while page := list_documents(session, 1, Kind.TEST_RECORDS, after_id, limit=3):
            seen += [str(getattr(e.document, "record_id")) for e in page]  # noqa: B009
            after_id = page[-1].row_id

    assert seen == sent


@pytest.mark.parametrize("limit", [0, -1, LARGEST_PAGE + 1])
def test_a_page_has_a_size(store: Store, limit: int) -> None:
    with store.read() as session, pytest.raises(InvalidInputError, match="/limit"):
        list_documents(session, 1, Kind.VEHICLES, limit=limit)


@pytest.mark.parametrize(
    ("kind", "fits", "fits_not"),
    [
        (Kind.VEHICLES, {"vehicle": "V-17"}, {"vehicle": "V-1"}),
        (Kind.VEHICLES, {"depot": "north yard"}, {"depot": "south yard"}),
        (Kind.VEHICLES, {"pump_family": "fam-x"}, {"pump_family": "fam-y"}),
        (Kind.PUMP_FAMILIES, {"pump_family": "fam-x"}, {"pump_family": "fam-y"}),
        (Kind.KIT_CALIBRATIONS, {"kit": "gauge 3"}, {"kit": "gauge 4"}),
        (Kind.FITMENTS, {"vehicle": "V-17", "part": "injector"}, {"part": "pump"}),
        (Kind.FINDINGS, {"vehicle": "V-17", "part": "pump"}, {"part": "injector"}),
        (Kind.TEST_RECORDS, {"kit": "gauge 3"}, {"kit": "gauge 4"}),
        (Kind.TEST_RECORDS, {"workshop": "north shop"}, {"workshop": "south shop"}),
        (
            # From inclusive, until exclusive: the example was performed at 06:30 UTC.
            Kind.TEST_RECORDS,
            {"from_time": datetime(2024, 6, 3, 6, 30, tzinfo=UTC)},
            {"until_time": datetime(2024, 6, 3, 6, 30, tzinfo=UTC)},
        ),
    ],
)
def test_a_filter_keeps_what_fits(
    store: Store, kind: Kind, fits: dict[str, str], fits_not: dict[str, str]
) -> None:
    post_everything(store)

    with store.read() as session:
        assert len(list_documents(session, 1, kind, filters=DocumentFilter(**fits))) == 1
        assert list_documents(session, 1, kind, filters=DocumentFilter(**fits_not)) == []


def test_a_filter_that_a_kind_cannot_have_is_refused(store: Store) -> None:
    wrong = DocumentFilter(depot="north yard", from_time=datetime(2024, 1, 1, tzinfo=UTC))

    with store.read() as session, pytest.raises(InvalidInputError) as caught:
        list_documents(session, 1, Kind.PUMP_FAMILIES, filters=wrong)

    assert {p.pointer for p in caught.value.problems} == {"/depot", "/from_time"}


def test_a_vehicle_is_listed_in_the_version_in_force(store: Store) -> None:
    post_family_and_vehicle(store)
    moved = document_of(Kind.VEHICLES, depot="south yard")
    with store.write() as session:
        amend_vehicle(session, 1, moved, "moved", "tests")  # type: ignore[arg-type]

    with store.read() as session:
        assert [e.document for e in list_documents(session, 1, Kind.VEHICLES)] == [moved]
        assert len(vehicle_history(session, 1, "V-17").versions) == 2


def test_listing_takes_as_many_queries_for_many_as_for_one(store: Store) -> None:
    post_family_and_vehicle(store)
    counts: list[int] = []
    for n_more in (1, 9):
        for _ in range(n_more):
            post(store, Kind.TEST_RECORDS)
        statements: list[str] = []

        def count(
            _c: object, _k: object, sql: str, *_: object, into: list[str] = statements
        ) -> None:
            into.append(sql)

        event.listen(store.engine, "before_cursor_execute", count)
        with store.read() as session:
            list_documents(session, 1, Kind.TEST_RECORDS)
        event.remove(store.engine, "before_cursor_execute", count)
        counts.append(len(statements))

    assert counts[0] == counts[1] <= 5


def test_a_history_is_in_time_order_and_of_one_vehicle(store: Store) -> None:
    post_everything(store)
    post(store, Kind.VEHICLES, vehicle="V-18")
    post(store, Kind.TEST_RECORDS, vehicle="V-18")
    post(store, Kind.TEST_RECORDS, performed_at="2023-01-01T00:00:00Z")

    with store.read() as session:
        history = vehicle_history(session, 1, "V-17")
        with pytest.raises(NotFoundError):
            vehicle_history(session, 1, "V-99")

    kinds = [entry.kind for _, entry in history.events]
    assert kinds == [Kind.TEST_RECORDS, Kind.FITMENTS, Kind.TEST_RECORDS, Kind.FINDINGS]
    moments = [moment for moment, _ in history.events]
    assert moments == sorted(moments)


def record_at(day: int, odometer_km: float | None, **changes: object) -> Document:
    moment = f"2024-05-{day:02}T08:00:00Z"
    return document_of(Kind.TEST_RECORDS, performed_at=moment, odometer_km=odometer_km, **changes)


def test_distance_is_held_against_the_nearest_earlier_record(store: Store) -> None:
    post_family_and_vehicle(store)
    for day, odometer_km in ((1, 1000), (3, 3000), (4, None), (9, 100)):
        moment = f"2024-05-{day:02}T08:00:00Z"
        post(store, Kind.TEST_RECORDS, performed_at=moment, odometer_km=odometer_km)

    def remark(day: int, odometer_km: float | None) -> str | None:
        record = record_at(day, odometer_km)
        assert isinstance(record, TestRecord)
        with store.read() as session:
            found = odometer_remark(session, 1, record)
        return found and found.detail

    assert remark(2, 1000) is None
    assert remark(2, 999) == "999 km is below the 1000 km of 2024-05-01"
    assert remark(5, 2999) == "2999 km is below the 3000 km of 2024-05-03"
    assert remark(5, 3000) is None
    assert remark(5, None) is None


def test_a_voided_distance_is_no_measure(store: Store) -> None:
    post_family_and_vehicle(store)
    slip = post(
        store, Kind.TEST_RECORDS, performed_at="2024-05-01T08:00:00Z", odometer_km=9_000_000
    )
    record = record_at(2, 1000)
    assert isinstance(record, TestRecord)
    with store.read() as session:
        assert odometer_remark(session, 1, record) is not None
    with store.write() as session:
        void_record(session, 1, UUID(slip.key), "slip of the pen", "tests")
        assert odometer_remark(session, 1, record) is None


def test_fleets_do_not_share_histories(store: Store) -> None:
    post_everything(store)
    with store.write() as session:
        other = add_fleet(session, "other", "tests").id
    post_family_and_vehicle(store, other)

    with store.read() as session:
        assert vehicle_history(session, other, "V-17").events == []
        record = parse_as(TestRecord, {**EXAMPLES[Kind.TEST_RECORDS], "odometer_km": 1})
        assert odometer_remark(session, other, record) is None
    assert VEHICLE["vehicle"] == "V-17"
