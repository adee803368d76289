"""Verdicts of month ends, said by hand."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from tests.fleetdb.trend.small_tables import day


def verdicts(
    states: Mapping[int, str], name: str = "V1", fitted: float = -365, family: str = "fam"
) -> pl.DataFrame:
    """Return one row per day in ``states``; every call names pump wear."""
    return pl.DataFrame(
        [
            {
                "as_of": day(at).date(),
                "vehicle": name,
                "pump_family": family,
                "pump_serial": f"{name}-{fitted}",
                "fitted_at": day(fitted),
                "state": state,
                "leading_cause": "pump_wear" if state in ("book_in", "stand_down") else None,
            }
            for at, state in states.items()
        ],
        schema={
            "as_of": pl.Date,
            "vehicle": pl.String,
            "pump_family": pl.String,
            "pump_serial": pl.String,
            "fitted_at": pl.Datetime("us"),
            "state": pl.String,
            "leading_cause": pl.String,
        },
    )
