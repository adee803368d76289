"""Connecting to SQLite or PostgreSQL, set up so that what is committed stays committed."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import DBAPIError

from fleetdb.errors import FleetDbError, SettingError
from fleetdb.settings import Settings

SQLITE_BUSY_TIMEOUT_MS = 30_000


def connect(settings: Settings) -> Engine:
    """Return an engine for ``settings``; nothing is read or checked yet."""
    url = make_url(settings.database_url)
    if not settings.is_embedded:
        return create_engine(url, pool_pre_ping=True, connect_args={"options": "-c timezone=UTC"})
    if not url.database or url.database == ":memory:":
        raise SettingError("FLEETDB_DATABASE_URL must name an SQLite file, not memory")
    folder = Path(url.database).parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FleetDbError(f"cannot create the folder {folder}: {error.strerror}") from error
    engine = create_engine(url)
    event.listen(engine, "connect", _set_up_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


@contextmanager
def clear_connection_errors(url: URL) -> Iterator[None]:
    """Turn a driver's failure to open the database into one sentence without the password."""
    try:
        yield
    except DBAPIError as error:
        shown = url.render_as_string(hide_password=True)
        raise FleetDbError(f"cannot use the database {shown}: {error.orig}") from error


def _set_up_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    # The driver must leave BEGIN to us, so that schema changes are transactional too.
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {SQLITE_BUSY_TIMEOUT_MS}")
    connection.execute("PRAGMA foreign_keys = ON")
    # An acknowledged record must survive a power cut: in WAL mode only FULL syncs
    # the log at each commit (NORMAL may lose the last ones).
    connection.execute("PRAGMA synchronous = FULL")
    _switch_to_wal(connection)


def _switch_to_wal(connection: sqlite3.Connection) -> None:
    # Unlike other statements, this one does not wait for the busy timeout when
    # another process is making the same switch on a new file.
    deadline = time.monotonic() + SQLITE_BUSY_TIMEOUT_MS / 1000
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _begin_sqlite(connection: Connection) -> None:
    writer = connection.get_execution_options().get("begins_as_writer", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writer else "BEGIN")
