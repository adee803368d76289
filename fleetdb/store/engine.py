"""Opening the truth: one engine, and the two kinds of session the project uses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from fleetdb.settings import Settings
from fleetdb.store import migrate
from fleetdb.store.connecting import clear_connection_errors, connect
from fleetdb.store.fleets import ensure_default_fleet


class Store:
    """The truth, opened. Hands out sessions; holds no state of its own but the pool."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        if engine.dialect.name == "sqlite":
            self._reader = engine
            # A transaction that begins as a reader and then writes can be refused
            # by SQLite at once, busy timeout or not; one that says so first waits.
            self._writer = engine.execution_options(begins_as_writer=True)
        else:
            # Several queries of one answer must see one state of the database.
            self._reader = engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
            # Each statement must see what a rival has just committed (see ``ingest``).
            self._writer = engine.execution_options(isolation_level="READ COMMITTED")

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session that sees one unchanging state and must not write."""
        with Session(self._reader, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Give a session that is one transaction: committed at the end, or not at all.

        SQLAlchemy's OperationalError comes through when the database cannot work just
        now (locked for too long, disk full, connection lost): nothing is stored then.
        """
        with Session(self._writer, expire_on_commit=False) as session, session.begin():
            yield session

    def close(self) -> None:
        """Close every pooled connection."""
        self.engine.dispose()


def open_store(settings: Settings, *, create_default_fleet: bool = True) -> Store:
    """Open the truth that ``settings`` names.

    An embedded (SQLite) database is created and migrated here. On PostgreSQL the
    schema belongs to the operator, so it is only compared. The installation's row
    comes with the first migration; the fleet called "fleet" is created here when
    there is none yet, except for the caller that is about to add a named one.

    Raises
    ------
    OutdatedSchemaError
        The schema is behind (PostgreSQL: run ``fleetdb migrate``) or newer than
        this program.
    FleetDbError
        The database cannot be reached or is not one.
    """
    engine = connect(settings)
    try:
        with clear_connection_errors(engine.url):
            if settings.is_embedded:
                migrate.upgrade_engine(engine)
            migrate.require_head(engine)
        store = Store(engine)
        if create_default_fleet:
            ensure_default_fleet(store.read, store.write)
    except BaseException:
        engine.dispose()
        raise
    return store
