"""Migrations and models agree; databases ahead, behind and half way are told apart."""

import subprocess
import sys
from importlib.resources import as_file, files
from pathlib import Path
from uuid import UUID

import pytest
from alembic import command
from sqlalchemy import inspect, text

from fleetdb.errors import OutdatedSchemaError
from fleetdb.settings import Settings
from fleetdb.store import migrate
from fleetdb.store.connecting import connect
from fleetdb.store.engine import Store, open_store
from fleetdb.store.queries import record_view
from fleetdb.store.tables import Base


def test_migrations_build_what_the_models_say(store: Store) -> None:
    assert migrate.differences(store.engine) == []


def test_a_column_the_migrations_do_not_have_is_reported(store: Store) -> None:
    with store.write() as session:
        session.execute(text("ALTER TABLE kits ADD COLUMN colour VARCHAR(9)"))

    assert any("colour" in line for line in migrate.differences(store.engine))


def test_every_constraint_has_a_name(store: Store) -> None:
    inspector = inspect(store.engine)

    for table in Base.metadata.tables:
        names = [inspector.get_pk_constraint(table)["name"]]
        names += [entry["name"] for entry in inspector.get_foreign_keys(table)]
        names += [entry["name"] for entry in inspector.get_unique_constraints(table)]
        assert all(name and len(name) <= 63 for name in names), (table, names)


def test_postgresql_is_migrated_by_the_operator_only(empty_postgres_settings: Settings) -> None:
    with pytest.raises(OutdatedSchemaError, match="run `fleetdb migrate`"):
        open_store(empty_postgres_settings)

    before, after = migrate.upgrade(empty_postgres_settings)

    assert (before, after) == (None, "0007")
    open_store(empty_postgres_settings).close()
    assert migrate.upgrade(empty_postgres_settings) == (after, after)


def test_a_database_of_before_traces_keeps_what_it_held(sqlite_settings: Settings) -> None:
    sqlite_settings.home.mkdir(parents=True)
    engine = connect(sqlite_settings)
    with (
        as_file(files("migrations")) as folder,
        engine.execution_options(begins_as_writer=True).begin() as connection,
    ):
        config = migrate.alembic_config(folder)
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        connection.execute(text("INSERT INTO fleets VALUES (1, 'fleet', '2024-01-01 00:00:00')"))
        connection.execute(text("INSERT INTO vehicles VALUES (1, 1, 'V-17')"))
        connection.execute(
            text(
                "INSERT INTO test_records (id, fleet_id, received_at, digest, record_id, "
                "vehicle_id, performed_at) VALUES (1, 1, '2024-06-03 07:00:00', 'd', "
                "'00000000000040008000000000000001', 1, '2024-06-03 06:30:00')"
            )
        )
    engine.dispose()

    store = open_store(sqlite_settings)

    with store.read() as session:
        view = record_view(session, 1, UUID("00000000-0000-4000-8000-000000000001"))
    store.close()
    assert (view.document.vehicle, view.document.traces_follow) == ("V-17", None)
    assert view.traces == []


def test_a_newer_schema_is_not_touched(settings: Settings) -> None:
    open_store(settings).close()
    engine = connect(settings)
    with engine.execution_options(begins_as_writer=True).begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()

    with pytest.raises(OutdatedSchemaError, match="newer version"):
        open_store(settings)


def test_two_processes_may_start_on_a_new_file_at_once(tmp_path: Path) -> None:
    program = (
        "import sys; from fleetdb.settings import Settings\n"
        "from fleetdb.store.engine import open_store\n"
        "store = open_store(Settings.from_environment({'FLEETDB_HOME': sys.argv[1]}))\n"
        "with store.read() as s: s.connection(); print('ok')\n"
    )
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", program, str(tmp_path)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(3)
    ]
    answers = [process.communicate(timeout=60) for process in processes]

    assert [out.strip() for out, _ in answers] == ["ok"] * 3, answers
    store = open_store(Settings.from_environment({"FLEETDB_HOME": str(tmp_path)}))
    with store.read() as session:
        assert session.execute(text("SELECT count(*) FROM installation")).scalar() == 1
        assert session.execute(text("SELECT count(*) FROM fleets")).scalar() == 1
    store.close()


def test_migrations_do_not_import_the_models() -> None:
    versions = list(files("migrations").joinpath("versions").iterdir())
    sources = [entry.read_text() for entry in versions if entry.name.endswith(".py")]

    assert any("create_table" in source for source in sources)
    assert not any("import fleetdb" in s or "from fleetdb" in s for s in sources)
