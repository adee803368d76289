from __future__ import annotations

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import connect, day, pump, record, vehicle


def test_readings_of_the_last_year_go_under_the_present_pump() -> None:
    with connect(
        vehicles=[vehicle("V1"), vehicle("V2")],
        fitments=[pump("V1", 350, "B")],
        test_records=[
            record("V1", 10, 0.9, odometer_km=100.0),
            record("V1", 100, 0.9, odometer_km=1000.0),
            record("V1", 200, 0.9),
            record("V1", 360, 0.9, odometer_km=3000.0),
            record("V2", 150, 0.9, odometer_km=7.0),
        ],
    ) as connection:
        keep_readings(connection, day(400))
        points = queries.answer(
            connection, "odometer_points", as_of=day(400), pace_days=365
        ).to_pylist()

    epoch = (day(0) - day(0).replace(year=1970)).days
    assert sorted((row["series_key"], row["at"] - epoch, row["value"]) for row in points) == [
        (1, 100, 1000),
        (1, 360, 3000),
        (2, 150, 7),
    ]
