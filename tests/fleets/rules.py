"""Rules a spreadsheet could apply, for scale."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl

from demo_fleet.generate import Fleet


def last_raw_ratio_below(fleet: Fleet, ratio: float) -> pl.DataFrame:
    """Return verdicts at month ends: ``book_in`` while a pump's last raw ratio is below ``ratio``.

    Columns as_of, vehicle, pump_serial, state; pumps without a test are ``unproven``.
    """
    superseded = {line.record.get("supersedes") for line in fleet.test_record_lines}
    readings = pl.DataFrame(
        [
            (
                line.record["vehicle"],
                _utc(line.record["performed_at"]),
                line.record["proof"]["actual_bar"] / line.record["proof"]["target_bar"],
            )
            for line in fleet.test_record_lines
            if line.expected == "accepted"
            and "proof" in line.record
            and line.record["record_id"] not in superseded
        ],
        schema={"vehicle": pl.String, "performed_at": pl.Datetime("us"), "raw_ratio": pl.Float64},
        orient="row",
    ).sort("performed_at")
    month_ends = (
        fleet.truth.reserve.select("vehicle", "pump_serial", "as_of")
        .join(fleet.truth.pumps.select("pump_serial", "fitted_at"), on="pump_serial")
        .with_columns(until=pl.col("as_of").cast(pl.Datetime("us")) + timedelta(days=1))
        .sort("until")
    )
    last = month_ends.join_asof(
        readings, left_on="until", right_on="performed_at", by="vehicle", check_sortedness=False
    )
    own = pl.col("performed_at") >= pl.col("fitted_at")
    return last.select(
        "as_of",
        "vehicle",
        "pump_serial",
        state=pl.when(own & (pl.col("raw_ratio") < ratio))
        .then(pl.lit("book_in"))
        .when(own)
        .then(pl.lit("sound"))
        .otherwise(pl.lit("unproven")),
    )


def _utc(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC).replace(tzinfo=None)
