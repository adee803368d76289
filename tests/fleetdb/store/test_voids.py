"""A fitment, finding or calibration is withdrawn like a test record: it stays, unused."""

from __future__ import annotations

from uuid import UUID, uuid4

import pytest
from sqlalchemy import select

from fleetdb.errors import ConflictError, InvalidInputError, NotFoundError
from fleetdb.records.documents import Kind
from fleetdb.store.amending import void_document
from fleetdb.store.by_id import stored_document
from fleetdb.store.engine import Store
from fleetdb.store.kits import list_kits
from fleetdb.store.tables import AuditEntry
from fleetdb.store.voids import VOIDABLE
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from tests.documents import post, post_family_and_vehicle

KINDS = list(VOIDABLE)


def test_every_kind_with_an_id_of_its_senders_own_can_be_withdrawn() -> None:
    assert set(VOIDABLE) == set(Kind) - {Kind.PUMP_FAMILIES, Kind.VEHICLES}


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_withdrawn_stays_with_its_reason_and_is_used_no_more(
    store: Store, kind: Kind
) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS)  # names the kit, whose calibrations the vehicle's trend reads
    with store.read() as session:
        before = vehicle_tables(session, 1, "V-17")
    document_id = UUID(post(store, kind).key)

    with store.write() as session:
        first = void_document(session, 1, kind, document_id, "other vehicle", "tests")
    with store.write() as session:
        again = void_document(session, 1, kind, document_id, "other vehicle", "tests")

    assert (first.already, again.already) == (False, True)
    assert again.voided_at == first.voided_at
    with store.read() as session:
        kept = stored_document(session, 1, kind, document_id)
        after = vehicle_tables(session, 1, "V-17")
        entries = session.execute(
            select(AuditEntry.subject, AuditEntry.subject_row_id, AuditEntry.detail).where(
                AuditEntry.action == "voided"
            )
        ).all()
    assert (kept.void_reason, kept.voided_at) == ("other vehicle", first.voided_at)
    assert after == before
    assert [tuple(entry) for entry in entries] == [
        (kind.value, kept.row_id, {"reason": "other vehicle"})
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_a_void_needs_a_document_of_the_fleet_and_one_reason(store: Store, kind: Kind) -> None:
    post_family_and_vehicle(store)
    document_id = UUID(post(store, kind).key)

    with store.write() as session:
        with pytest.raises(NotFoundError):
            void_document(session, 1, kind, uuid4(), "why", "tests")
        with pytest.raises(NotFoundError):
            void_document(session, 2, kind, document_id, "why", "tests")
        with pytest.raises(InvalidInputError, match="/reason"):
            void_document(session, 1, kind, document_id, "", "tests")
        void_document(session, 1, kind, document_id, "why", "tests")
        with pytest.raises(ConflictError, match="voided before: why"):
            void_document(session, 1, kind, document_id, "another reason", "tests")


def test_a_withdrawn_calibration_is_not_a_kits_last(store: Store) -> None:
    early = post(store, Kind.KIT_CALIBRATIONS, calibrated_at="2024-01-10T09:00:00Z")
    late = post(store, Kind.KIT_CALIBRATIONS, calibrated_at="2024-06-10T09:00:00Z")

    def last() -> str:
        with store.read() as session:
            [kit] = list_kits(session, 1)
        return f"{kit.last_calibrated_at:%Y-%m-%d}" if kit.last_calibrated_at else "never"

    assert last() == "2024-06-10"
    for accepted, expected in ((late, "2024-01-10"), (early, "never")):
        with store.write() as session:
            key = UUID(accepted.key)
            void_document(session, 1, Kind.KIT_CALIBRATIONS, key, "other gauge", "tests")
        assert last() == expected
