"""`fleetdb migrate` brings a database up to date, and only looks when asked to."""

from importlib.resources import files

import pytest
from sqlalchemy import text

from fleetdb.settings import Settings
from fleetdb.store.connecting import connect
from tests.fleetdb.cli.conftest import Run

VERSIONS = files("migrations").joinpath("versions").iterdir()
HEAD = max(entry.name[:4] for entry in VERSIONS if entry.name.startswith("0"))


def test_an_empty_database_is_migrated_once(
    run: Run, empty_postgres_settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLEETDB_DATABASE_URL", empty_postgres_settings.database_url)

    behind = run("migrate", "--check")
    assert behind.code == 1
    assert f"not {HEAD}" in behind.err
    refused = run("fleet", "list")
    assert refused.code == 1
    assert "run `fleetdb migrate`" in refused.err
    assert run("migrate").out == f"migrated from schema none to {HEAD}\n"
    assert run("migrate").out == f"already at schema {HEAD}\n"
    assert run("migrate", "--check").code == 0


def test_a_schema_that_differs_from_the_models_fails_the_check(
    run: Run, settings: Settings
) -> None:
    assert run("migrate").code == 0
    assert run("migrate", "--check").code == 0
    engine = connect(settings)
    with engine.execution_options(begins_as_writer=True).begin() as connection:
        connection.execute(text("DROP INDEX ix_findings_vehicle_id"))
    engine.dispose()

    ran = run("migrate", "--check")

    assert ran.code == 1
    assert "ix_findings_vehicle_id" in ran.err
