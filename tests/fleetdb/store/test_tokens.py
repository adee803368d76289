"""Tokens are random, shown once, kept as a hash, and end when they should."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from fleetdb.errors import InvalidInputError, NotFoundError
from fleetdb.store import tokens
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet, resolve_fleet
from fleetdb.store.tokens import Role, authenticate, create_token, list_tokens, revoke_token


def test_a_token_stands_for_its_holder(store: Store) -> None:
    with store.write() as session:
        fleets = [resolve_fleet(session, None), add_fleet(session, "south", "tests")]
        token, plain = create_token(
            session, "bench 2", "workshop", fleets, "north shop", actor="tests"
        )

    assert re.fullmatch(r"flt_[A-Za-z0-9_-]{43}", plain)
    with store.read() as session:
        caller = authenticate(session, plain)
        assert caller == tokens.Caller(
            token.id, "bench 2", Role.WORKSHOP, "north shop", {"fleet": 1, "south": fleets[1].id}
        )
        for wrong in ("", plain[:-1], plain + "x", plain.lower(), "\ud800"):
            assert authenticate(session, wrong) is None


def test_only_the_hash_of_a_token_is_kept(store: Store) -> None:
    with store.write() as session:
        _, plain = create_token(
            session, "boss", Role.ADMIN, [resolve_fleet(session, None)], actor="tests"
        )
    with store.read() as session:
        kept = session.execute(text("SELECT * FROM access_tokens")).one()
        trail = session.execute(text("SELECT * FROM audit_entries")).all()

    assert kept.token_sha256 == hashlib.sha256(plain.encode()).hexdigest()
    assert plain not in str(kept) + str(trail)
    assert plain[4:] not in str(kept) + str(trail)
    assert "token_created" in str(trail)


def test_two_tokens_are_never_equal(sqlite_store: Store) -> None:
    with sqlite_store.write() as session:
        fleets = [resolve_fleet(session, None)]
        made = {create_token(session, "t", "manager", fleets, actor="a")[1] for _ in range(50)}

    assert len(made) == 50


def test_a_revoked_token_lets_nobody_in(store: Store) -> None:
    with store.write() as session:
        fleets = [resolve_fleet(session, None)]
        token, plain = create_token(session, "t", "manager", fleets, actor="tests")
    with store.write() as session:
        first = revoke_token(session, token.id, actor="tests")
    with store.write() as session:
        again = revoke_token(session, token.id, actor="tests")

    assert first.revoked_at == again.revoked_at is not None
    with store.read() as session:
        assert authenticate(session, plain) is None
        trail = session.execute(text("SELECT action FROM audit_entries ORDER BY id")).all()
    assert [row.action for row in trail] == ["added", "token_created", "token_revoked"]
    with pytest.raises(NotFoundError), store.write() as session:
        revoke_token(session, 99, actor="tests")


def test_an_expired_token_lets_nobody_in(store: Store) -> None:
    with store.write() as session:
        fleets = [resolve_fleet(session, None)]
        soon = datetime.now(UTC) + timedelta(hours=1)
        token, plain = create_token(session, "t", "manager", fleets, None, soon, actor="tests")
        assert authenticate(session, plain) is not None
        token.expires_at = datetime.now(UTC) - timedelta(seconds=1)
        session.flush()
        assert authenticate(session, plain) is None


def test_every_bad_property_of_a_token_is_named(store: Store) -> None:
    past = datetime.now(UTC) - timedelta(days=1)
    with pytest.raises(InvalidInputError) as caught, store.write() as session:
        create_token(session, "", "owner", [], "two\nlines", past, actor="tests")

    assert {problem.pointer for problem in caught.value.problems} == {
        "/label",
        "/workshop_name",
        "/role",
        "/fleets",
        "/expires_at",
    }


def test_a_fleet_lists_its_own_tokens(store: Store) -> None:
    with store.write() as session:
        own, south = resolve_fleet(session, None), add_fleet(session, "south", "tests")
        create_token(session, "one", "manager", [own], actor="tests")
        create_token(session, "two", "manager", [south, own], actor="tests")
        create_token(session, "three", "manager", [south], actor="tests")

    with store.read() as session:
        assert [t.label for t in list_tokens(session)] == ["one", "two", "three"]
        assert [t.label for t in list_tokens(session, own.id)] == ["one", "two"]
        assert list_tokens(session, own.id)[1].fleets == ["fleet", "south"]
