"""Corrections add; what was said before stays."""

from uuid import UUID, uuid4

import pytest
from sqlalchemy import select

from fleetdb.errors import ConflictError, InvalidInputError, NotFoundError
from fleetdb.records.documents import Kind, Vehicle
from fleetdb.records.parsing import parse_as
from fleetdb.store.amending import amend_vehicle, void_record
from fleetdb.store.engine import Store
from fleetdb.store.queries import record_view, vehicle_history
from fleetdb.store.tables import AuditEntry
from tests.documents import VEHICLE, post, post_family_and_vehicle


def actions(store: Store) -> list[str]:
    with store.read() as session:
        return list(session.scalars(select(AuditEntry.action).order_by(AuditEntry.id)))


def test_a_voided_record_stays_with_its_reason(store: Store) -> None:
    post_family_and_vehicle(store)
    record_id = UUID(post(store, Kind.TEST_RECORDS).key)

    with store.write() as session:
        first = void_record(session, 1, record_id, "wrong vehicle", "tests")
    with store.write() as session:
        again = void_record(session, 1, record_id, "wrong vehicle", "tests")

    assert (first.already, again.already) == (False, True)
    assert again.voided_at == first.voided_at
    assert actions(store).count("voided") == 1
    with store.read() as session:
        view = record_view(session, 1, record_id)
    assert (view.void_reason, view.voided_at) == ("wrong vehicle", first.voided_at)


def test_a_void_needs_a_record_a_reason_and_no_other_void(store: Store) -> None:
    post_family_and_vehicle(store)
    record_id = UUID(post(store, Kind.TEST_RECORDS).key)

    with store.write() as session:
        with pytest.raises(NotFoundError):
            void_record(session, 1, uuid4(), "why", "tests")
        with pytest.raises(NotFoundError):
            void_record(session, 2, record_id, "why", "tests")
        for reason in ("", "x" * 2001, "\u0000"):
            with pytest.raises(InvalidInputError, match="/reason"):
                void_record(session, 1, record_id, reason, "tests")
        void_record(session, 1, record_id, "why", "tests")
        with pytest.raises(ConflictError, match="voided before: why"):
            void_record(session, 1, record_id, "another reason", "tests")


def test_an_amended_vehicle_is_judged_by_its_last_version(store: Store) -> None:
    post_family_and_vehicle(store)
    early = {"performed_at": "2021-06-01T00:00:00Z"}
    with pytest.raises(InvalidInputError, match="before vehicle V-17 went into service"):
        post(store, Kind.TEST_RECORDS, **early)
    earlier = parse_as(Vehicle, {**VEHICLE, "in_service_on": "2021-03-01"})

    with store.write() as session:
        amended = amend_vehicle(session, 1, earlier, "papers were wrong", "tests")
        again = amend_vehicle(session, 1, earlier, "papers were wrong", "tests")

    assert (amended.already_there, again.already_there) == (False, True)
    post(store, Kind.TEST_RECORDS, **early)
    assert actions(store).count("amended") == 1
    # Either version sent again is known; and an amendment can be taken back.
    assert post(store, Kind.VEHICLES).already_there
    assert post(store, Kind.VEHICLES, in_service_on="2021-03-01").already_there
    with store.write() as session:
        back = amend_vehicle(session, 1, parse_as(Vehicle, VEHICLE), "they were right", "tests")
    assert not back.already_there
    with store.read() as session:
        versions = vehicle_history(session, 1, "V-17").versions
    dates = [getattr(entry.document, "in_service_on").isoformat() for entry in versions]  # noqa: B009
    assert dates == ["2022-03-01", "2021-03-01", "2022-03-01"]


def test_an_amendment_must_be_possible(store: Store) -> None:
    post_family_and_vehicle(store)

    with store.write() as session:
        with pytest.raises(NotFoundError):
            amend_vehicle(session, 1, parse_as(Vehicle, {**VEHICLE, "vehicle": "V-9"}), "r", "t")
        with pytest.raises(InvalidInputError, match="no pump family"):
            amend_vehicle(
                session, 1, parse_as(Vehicle, {**VEHICLE, "pump_family": "fam-y"}), "r", "t"
            )
        with pytest.raises(InvalidInputError, match="/reason"):
            amend_vehicle(session, 1, parse_as(Vehicle, VEHICLE), "", "t")
