"""Verdicts of month ends, said by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from tests.fleetdb.trend.small_tables import day

_ESTIMATES = {
    "probability_below_limit": pl.Float64,
    "delivery_reserve": pl.Float64,
    "last_test_at": pl.Datetime("us"),
    "limit_date_p10": pl.Date,
    "limit_date_p90": pl.Date,
}


def verdicts(
    states: Mapping[int, str],
    name: str = "V1",
    fitted: float = -365,
    family: str = "fam",
    **columns: Sequence[Any],
) -> pl.DataFrame:
    """Return one row per day in ``states``; every call names pump wear.

    Columns not given are null, but for the horizon of 60 days.
    """
    rows = pl.DataFrame(
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
    return rows.with_columns(
        pl.lit(60.0).alias("horizon_days"),
        *(
            pl.Series(name, columns.get(name, [None] * rows.height), dtype=dtype)
            for name, dtype in _ESTIMATES.items()
        ),
    )
