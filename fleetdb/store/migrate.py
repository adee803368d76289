"""Bringing a database to the schema of this program, and telling how far it is from it."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

from fleetdb.errors import OutdatedSchemaError
from fleetdb.settings import Settings
from fleetdb.store.connecting import clear_connection_errors, connect
from fleetdb.store.tables import Base

# Any number of our own: it keeps two `fleetdb migrate` from running at once on PostgreSQL.
_ADVISORY_LOCK = 7_305_001


def upgrade(settings: Settings) -> tuple[str | None, str]:
    """Bring the database to the newest schema; return the revisions before and after.

    Raises
    ------
    OutdatedSchemaError
        The database is newer than this program.
    FleetDbError
        The database cannot be reached.
    """
    engine = connect(settings)
    try:
        with clear_connection_errors(engine.url):
            return upgrade_engine(engine)
    finally:
        engine.dispose()


def upgrade_engine(engine: Engine) -> tuple[str | None, str]:
    """Do the work of ``upgrade`` on an open engine, all in one transaction."""
    current, head = current_and_head(engine)
    if current == head:
        return current, head
    with as_file(files("migrations")) as folder:
        config = alembic_config(folder)
        scripts = ScriptDirectory.from_config(config)
        writer = engine.execution_options(begins_as_writer=True)
        with writer.begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(
                    text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK}
                )
            # Another process may have migrated while this one waited for the lock.
            current = _current(connection)
            _require_known(current, scripts)
            if current != head:
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
    return current, head


def current_and_head(engine: Engine) -> tuple[str | None, str]:
    """Return the database's revision (None: empty) and the one this program needs."""
    with as_file(files("migrations")) as folder:
        head = ScriptDirectory.from_config(alembic_config(folder)).get_current_head()
    with engine.connect() as connection:
        return _current(connection), head or ""


def require_head(engine: Engine) -> None:
    """Raise OutdatedSchemaError unless the database is at this program's schema."""
    current, head = current_and_head(engine)
    if current == head:
        return
    with as_file(files("migrations")) as folder:
        _require_known(current, ScriptDirectory.from_config(alembic_config(folder)))
    raise OutdatedSchemaError(
        f"the database is at schema {current or 'none'}, this program needs {head}: "
        "run `fleetdb migrate`"
    )


def differences(engine: Engine) -> list[str]:
    """Return how the database differs from the models, one line each; empty when it does not."""
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "compare_server_default": True}
        )
        return [str(entry) for entry in compare_metadata(context, Base.metadata)]


def _current(connection: Connection) -> str | None:
    return MigrationContext.configure(connection).get_current_revision()


def _require_known(current: str | None, scripts: ScriptDirectory) -> None:
    known = {script.revision for script in scripts.walk_revisions()}
    if current is not None and current not in known:
        raise OutdatedSchemaError(
            f"the database is at schema {current}, which this program does not know: "
            "it was migrated by a newer version; upgrade the program"
        )


def alembic_config(folder: Path) -> Config:
    """Return Alembic's configuration for the migrations in ``folder``."""
    config = Config()
    # Percent signs are interpolated by the configuration parser.
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
