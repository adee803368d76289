from __future__ import annotations

import polars as pl

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings, keep_usual_conditions, load_series
from tests.fleetdb.trend.small_tables import connect, day, leak, pump, record

RECORDS = [
    record("V1", 30, 0.9, odometer_km=3000.0, kit="K1", crank_rpm=None),
    record("V1", 10, rate_bar_per_s=250.0, fuel_temp_c=None),
    record("V1", 20, **leak(60, 400, 10, 11, 12, 13)),
    record("V1", 500, 0.9),
]


def test_every_test_seen_is_there_as_it_was_made() -> None:
    with connect(test_records=RECORDS, fitments=[pump("V1", 15)]) as connection:
        keep_readings(connection, day(400))
        found = pl.DataFrame(queries.answer(connection, "readings_in_full")).sort("performed_at")
        keep_usual_conditions(connection)
        (series,), _ = load_series(connection)

    sent = pl.DataFrame(RECORDS[:3], infer_schema_length=None).sort("performed_at")
    same = ["record_id", "performed_at", "odometer_km", "kit", "fuel_temp_c", "crank_rpm"]
    assert found.select(same).to_dicts() == sent.select(same).to_dicts()
    assert found["pump_id"].to_list() == [0, 1, 1]
    assert found["leak_rail_bar"].to_list() == [None, 400, None]
    assert found["leak_cylinders"][1].to_list()[3] == {"cylinder": 4, "ml": 13}
    # The numbers are those the series knows its records by.
    assert series.records["reading_no"].to_pylist() == found["reading_no"].to_list()
