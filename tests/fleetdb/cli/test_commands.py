"""The command line as a whole: what there is, and what failures end with."""

from pathlib import Path

import pytest

from fleetdb.settings import Settings
from fleetdb.store import connecting
from fleetdb.store.engine import open_store
from tests.fleetdb.cli.conftest import Run


def test_the_version_and_an_unknown_command(run: Run) -> None:
    assert run("--version").out.startswith("fleetdb, version ")
    ran = run("fly")
    assert ran.code == 2
    assert "No such command 'fly'" in ran.err


def test_a_wrong_setting_is_told_without_a_traceback(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLEETDB_DATABASE_URL", "mysql://somewhere")

    ran = run("fleet", "list")

    assert ran.code == 1
    assert ran.err.startswith("Error: FLEETDB_DATABASE_URL names 'mysql'")


def test_an_unusable_database_is_told_without_a_traceback(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "fleet.sqlite").write_text("no database\n" * 100)
    monkeypatch.setenv("FLEETDB_DATABASE_URL", f"sqlite:///{tmp_path / 'fleet.sqlite'}")

    ran = run("fleet", "list")

    assert ran.code == 1
    assert "not a database" in ran.err


def test_a_database_locked_for_too_long_is_told_without_a_traceback(
    run: Run, sqlite_settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLEETDB_DATABASE_URL", sqlite_settings.database_url)
    monkeypatch.setattr(connecting, "SQLITE_BUSY_TIMEOUT_MS", 100)
    store = open_store(sqlite_settings)
    with store.write() as session:
        session.connection()  # takes the write lock
        ran = run("fleet", "add", "south")
    store.close()

    assert (ran.code, ran.out) == (1, "")
    assert ran.err == "Error: the database cannot be used now: database is locked\n"


def test_of_several_fleets_one_must_be_named(run: Run) -> None:
    assert run("fleet", "add", "north").code == 0
    assert run("token", "create", "t", "--role", "manager").code == 0
    assert run("fleet", "add", "south").code == 0

    ran = run("token", "create", "t", "--role", "manager")

    assert ran.code == 2
    assert ran.err == "Error: there are several fleets, name one: north, south\n"
    assert run("--fleet", "south", "token", "create", "t", "--role", "manager").code == 0
    ran = run("--fleet", "west", "token", "create", "t", "--role", "manager")
    assert (ran.code, ran.err) == (1, "Error: there is no fleet called 'west'\n")
