"""The pipeline's SQL: one file per answer in ``sql/``, read here and nowhere else."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import pyarrow as pa

from fleetdb.warehouse.planned import Connection, PlannedConnection


@cache
def sql_text(name: str) -> str:
    """Return the query kept in ``sql/<name>.sql``."""
    return files("fleetdb.trend").joinpath("sql", f"{name}.sql").read_text(encoding="utf-8")


def keep(connection: Connection, name: str, **parameters: Any) -> None:
    """Run the query ``name`` and keep its answer as a temporary table of that name."""
    if isinstance(connection, PlannedConnection):
        connection.keep(name, sql_text(name), parameters)
        return
    connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS\n{sql_text(name)}", parameters)


def answer(connection: Connection, name: str, **parameters: Any) -> pa.Table:
    """Run the query ``name`` and return its answer."""
    if isinstance(connection, PlannedConnection):
        connection.keep(f"answer_{name}", sql_text(name), parameters)
        return whole(connection, f"answer_{name}")
    return connection.sql(sql_text(name), params=parameters or None).to_arrow_table()


def whole(connection: Connection, name: str) -> pa.Table:
    """Return a table or view."""
    return connection.table(name).to_arrow_table()


_NO_ROWS: dict[str, pa.Table] = {}


def answer_from(connection: Connection, source: str, name: str, **parameters: Any) -> pa.Table:
    """Return what ``answer`` does of a query that answers nothing without a row in ``source``.

    It is not asked then, once its columns are known: planning it costs one vehicle's verdict
    a millisecond or two. ``source`` is SQL of our own: a name, and a condition if need be.
    """
    if name in _NO_ROWS and _is_empty(connection, source):
        return _NO_ROWS[name]
    found = answer(connection, name, **parameters)
    _NO_ROWS[name] = found.schema.empty_table()
    return found


def _is_empty(connection: Connection, source: str) -> bool:
    if isinstance(connection, PlannedConnection):
        return connection.is_empty(source)
    return not connection.execute(f"FROM {source} LIMIT 1").fetchall()
