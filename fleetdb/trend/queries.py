"""The pipeline's SQL: one file per answer in ``sql/``, read here and nowhere else."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import duckdb
import pyarrow as pa


@cache
def sql_text(name: str) -> str:
    """Return the query kept in ``sql/<name>.sql``."""
    return files("fleetdb.trend").joinpath("sql", f"{name}.sql").read_text(encoding="utf-8")


def keep(connection: duckdb.DuckDBPyConnection, name: str, **parameters: Any) -> None:
    """Run the query ``name`` and keep its answer as a temporary table of that name."""
    connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS\n{sql_text(name)}", parameters)


def answer(connection: duckdb.DuckDBPyConnection, name: str, **parameters: Any) -> pa.Table:
    """Run the query ``name`` and return its answer."""
    return connection.sql(sql_text(name), params=parameters or None).to_arrow_table()


_NO_ROWS: dict[str, pa.Table] = {}


def answer_from(
    connection: duckdb.DuckDBPyConnection, source: str, name: str, **parameters: Any
) -> pa.Table:
    """Return what ``answer`` does of a query that answers nothing without a row in ``source``.

    It is not asked then, once its columns are known: planning it costs one vehicle's verdict
    some milliseconds. ``source`` is a name of our own, of a table or view in ``connection``.
    """
    if name in _NO_ROWS and not connection.execute(f"FROM {source} LIMIT 1").fetchall():
        return _NO_ROWS[name]
    found = answer(connection, name, **parameters)
    _NO_ROWS[name] = found.slice(0, 0)
    return found
