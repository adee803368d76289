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
