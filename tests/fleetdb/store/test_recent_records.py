"""The newest records of a workshop and of a vehicle: their own, in order, and no others."""

from __future__ import annotations

from typing import Any

import pytest

from fleetdb.records.documents import Kind
from fleetdb.store.engine import Store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.ingest import accept
from fleetdb.store.posters import Poster
from fleetdb.store.recent_records import last_record, recent_records, recent_vehicles
from fleetdb.store.tokens import create_token
from tests.documents import document_of, post, post_family_and_vehicle


@pytest.fixture
def north(store: Store) -> Poster:
    post_family_and_vehicle(store)
    for vehicle in ("V-18", "V-19"):
        post(store, Kind.VEHICLES, vehicle=vehicle, registration=None, vin=None)
    with store.write() as session:
        fleets = [resolve_fleet(session, None)]
        token, _ = create_token(session, "bay", "workshop", fleets, "North", actor="tests")
        return Poster(token.id, "North")


def send(store: Store, poster: Poster | None = None, **fields: Any) -> str:
    record = document_of(Kind.TEST_RECORDS, **fields)
    with store.write() as session:
        token_id = None if poster is None else poster.token_id
        return accept(session, 1, Kind.TEST_RECORDS, record, "tests", token_id).key


def keys(views: list[Any]) -> list[str]:
    return [str(view.document.record_id) for view in views]


def test_a_workshop_gets_what_it_sent_and_what_bears_its_name_newest_first(
    store: Store, north: Poster
) -> None:
    first = send(store, workshop="North", vehicle="V-17")
    send(store, workshop="South", vehicle="V-19")
    second = send(store, north, workshop="Annex", vehicle="V-18")
    third = send(store, north, workshop="North", vehicle="V-17")
    with store.read() as session:
        assert keys(recent_records(session, 1, north, 10)) == [third, second, first]
        assert keys(recent_records(session, 1, north, 2)) == [third, second]
        assert len(recent_records(session, 1, None, 10)) == 4
        assert recent_records(session, 2, None, 10) == []
        assert recent_vehicles(session, 1, north, 10) == ["V-17", "V-18"]
        assert recent_vehicles(session, 1, None, 10) == ["V-17", "V-18", "V-19"]


def test_the_last_test_is_the_one_performed_last_of_those_that_stand(
    store: Store, north: Poster
) -> None:
    newest = send(store, workshop="North", performed_at="2024-06-03T08:00:00Z")
    send(store, workshop="North", performed_at="2024-05-03T08:00:00Z")
    with store.read() as session:
        view = last_record(session, 1, "V-17", north)
    assert view is not None and keys([view]) == [newest]
    later = send(store, workshop="South", performed_at="2024-07-03T08:00:00Z")
    with store.read() as session:
        assert keys([last_record(session, 1, "V-17", north)]) == [newest]
        assert keys([last_record(session, 1, "V-17", None)]) == [later]
        assert last_record(session, 1, "V-18", None) is None
    correction = send(
        store, workshop="South", performed_at="2024-04-03T08:00:00Z", supersedes=later
    )
    with store.read() as session:
        seen = keys([last_record(session, 1, "V-17", None)])
    assert seen == [newest] != [correction]
