from __future__ import annotations

from typing import Any

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings, keep_usual_conditions
from tests.fleetdb.trend.small_tables import Row, connect, day, record, vehicle


def timed(at: float, workshop: str | None, **fields: Any) -> Row:
    return record("V1", at, workshop=workshop, **{"rate_bar_per_s": 200.0, **fields})


def test_only_rates_of_workshops_that_never_say_their_window_are_untold() -> None:
    window = {"from_bar": 140.0, "to_bar": 490.0}
    records = [
        timed(1, "Eastyard", **window),
        timed(2, "Eastyard"),  # mostly as on day 1
        timed(3, "Westyard"),
        timed(4, "Westyard", rate_bar_per_s=None),
        timed(5, None),
        timed(6, None, **window),
        timed(7, "Westyard", from_bar=140.0),
    ]
    with connect(test_records=records, vehicles=[vehicle("V1")]) as connection:
        keep_readings(connection, day(400))
        keep_usual_conditions(connection)
        untold = queries.answer(connection, "untold_builds")
        at = connection.sql(
            "SELECT rowid AS reading_no, day(performed_at) AS day_no FROM readings"
        ).to_arrow_table()

    day_of = dict(zip(at["reading_no"].to_pylist(), at["day_no"].to_pylist(), strict=True))
    first = day(0).day
    assert [(day_of[row["reading_no"]] - first, row["workshop"]) for row in untold.to_pylist()] == [
        (3, "Westyard"),
        (5, None),
        (7, "Westyard"),
    ]
