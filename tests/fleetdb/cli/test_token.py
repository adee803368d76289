"""`fleetdb token` makes a token that works, shows it once, and ends it."""

import re

from fleetdb.settings import Settings
from fleetdb.store.engine import open_store
from fleetdb.store.tokens import Caller, authenticate
from tests.fleetdb.cli.conftest import Run


def caller(settings: Settings, plain: str) -> Caller | None:
    store = open_store(settings)
    with store.read() as session:
        found = authenticate(session, plain)
    store.close()
    return found


def test_a_token_is_printed_alone_and_works(run: Run, settings: Settings) -> None:
    ran = run("token", "create", "bench 2", "--role", "workshop", "--workshop", "north shop")

    assert ran.code == 0
    assert "cannot be shown again" in ran.err
    found = caller(settings, ran.out.strip())
    assert found is not None
    assert (found.label, found.role, found.workshop_name) == ("bench 2", "workshop", "north shop")
    listed = run("token", "list").out
    assert "bench 2" in listed
    assert ran.out.strip() not in listed


def test_a_revoked_token_ends(run: Run, settings: Settings) -> None:
    plain = run("token", "create", "boss", "--role", "admin", "--days", "3").out.strip()
    assert caller(settings, plain) is not None

    ran = run("token", "revoke", "1")

    assert re.match(r"token 1 \(boss\) is revoked 20", ran.out)
    assert caller(settings, plain) is None
    assert "revoked" in run("token", "list").out
    assert run("token", "revoke", "99").code == 1


def test_a_token_may_act_in_several_fleets(run: Run, settings: Settings) -> None:
    run("fleet", "add", "north")
    run("fleet", "add", "south")

    ran = run(
        *("token", "create", "both", "--role", "manager"),
        *("--in-fleet", "north", "--in-fleet", "south"),
    )

    found = caller(settings, ran.out.strip())
    assert found is not None
    assert set(found.fleets) == {"north", "south"}


def test_a_role_is_one_of_three(run: Run) -> None:
    assert run("token", "create", "t", "--role", "owner").code == 2
    assert run("token", "create", "t").code == 2
    assert run("token", "create", "", "--role", "admin").code == 2
