"""What the leak queries read, beside the readings."""

from __future__ import annotations

from collections.abc import Mapping

import duckdb
import polars as pl

from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import day


def keep_leaks(
    connection: duckdb.DuckDBPyConnection, ln_viscosity: Mapping[str, float], as_of: float = 400
) -> None:
    """Keep readings and each record's correction (0 where none is given)."""
    keep_readings(connection, day(as_of))
    rows = connection.sql("SELECT rowid, record_id FROM readings").fetchall()
    connection.register(
        "corrections",
        pl.DataFrame(
            [(number, ln_viscosity.get(record_id, 0.0)) for number, record_id in rows],
            schema={"reading_no": pl.Int64, "ln_viscosity": pl.Float64},
            orient="row",
        ),
    )
