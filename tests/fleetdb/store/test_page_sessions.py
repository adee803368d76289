"""A session opens what its token opens, for a shift, and only its hash is kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select, update

from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet, resolve_fleet
from fleetdb.store.page_sessions import (
    LASTS,
    begin_session,
    end_session,
    move_session,
    signed_in,
)
from fleetdb.store.tables import AccessToken, PageSession
from fleetdb.store.tokens import create_token, revoke_token


@pytest.fixture
def token(store: Store) -> str:
    with store.write() as session:
        fleets = [resolve_fleet(session, None), add_fleet(session, "south", "tests")]
        return create_token(session, "boss", "manager", fleets, actor="tests")[1]


def begun(store: Store, token: str) -> str:
    with store.write() as session:
        secret = begin_session(session, token)
    assert secret is not None
    return secret


def fleet_of(store: Store, secret: str) -> str | None:
    with store.read() as session:
        found = signed_in(session, secret)
    return None if found is None else found.fleet


def test_a_session_stands_for_the_holder_of_its_token(store: Store, token: str) -> None:
    secret = begun(store, token)
    with store.read() as session:
        found = signed_in(session, secret)
        kept = session.scalars(select(PageSession.session_sha256)).all()
    assert found is not None
    assert (found.caller.label, found.fleet, found.fleet_id) == ("boss", "fleet", 1)
    assert secret not in kept and token not in secret


def test_what_is_no_token_begins_no_session(store: Store, token: str) -> None:
    with store.write() as session:
        for wrong in ("", token[:-1], "\ud800"):
            assert begin_session(session, wrong) is None
        assert session.scalars(select(PageSession)).all() == []


def test_a_session_ends_with_its_token(store: Store, token: str) -> None:
    secret = begun(store, token)
    with store.write() as session:
        token_id = session.scalars(select(AccessToken.id)).one()
        revoke_token(session, token_id, actor="tests")
    assert fleet_of(store, secret) is None


def test_a_session_is_over_after_a_shift_and_forgotten_at_the_next_sign_in(
    store: Store, token: str
) -> None:
    secret = begun(store, token)
    assert timedelta(hours=8) <= LASTS <= timedelta(hours=24)
    with store.write() as session:
        session.execute(update(PageSession).values(expires_at=datetime.now(UTC)))
    assert fleet_of(store, secret) is None
    begun(store, token)
    with store.read() as session:
        assert len(session.scalars(select(PageSession)).all()) == 1


def test_an_ended_session_opens_nothing_and_others_go_on(store: Store, token: str) -> None:
    one, other = begun(store, token), begun(store, token)
    with store.write() as session:
        end_session(session, one)
        end_session(session, one)
    assert fleet_of(store, one) is None
    assert fleet_of(store, other) == "fleet"


def test_going_to_another_fleet_ends_the_session_in_the_first(store: Store, token: str) -> None:
    secret = begun(store, token)
    with store.write() as session:
        before = session.scalars(select(PageSession.expires_at)).one()
        moved = move_session(session, secret, resolve_fleet(session, "south").id)
        after = session.scalars(select(PageSession.expires_at)).one()
    assert fleet_of(store, secret) is None
    assert fleet_of(store, moved) == "south"
    assert after == before
