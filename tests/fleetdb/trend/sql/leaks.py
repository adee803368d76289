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
    ids = [row[0] for row in connection.sql("SELECT record_id FROM readings").fetchall()]
    connection.register(
        "corrections",
        pl.DataFrame(
            {"record_id": ids, "ln_viscosity": [ln_viscosity.get(i, 0.0) for i in ids]},
            schema={"record_id": pl.String, "ln_viscosity": pl.Float64},
        ),
    )
