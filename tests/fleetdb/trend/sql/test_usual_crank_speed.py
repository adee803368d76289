from __future__ import annotations

import math
from statistics import mean, stdev

import pytest

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import connect, day, record

SPEEDS = [180.0, 190.0, 220.0]


@pytest.mark.parametrize("few", [3, 4], ids=["enough", "too few"])
def test_speed_departs_from_the_reference_as_the_tests_say_if_they_are_enough(few: int) -> None:
    records = [record("V1", n, 0.9, crank_rpm=rpm) for n, rpm in enumerate([*SPEEDS, None])]
    with connect(test_records=records) as connection:
        keep_readings(connection, day(400))
        [row] = queries.answer(
            connection, "usual_crank_speed", few=few, unknown_sd=0.1, least_sd=0.03
        ).to_pylist()

    logs = [math.log(rpm / 200) for rpm in SPEEDS]
    expected = (mean(logs), stdev(logs)) if few == 3 else (0, 0.1)
    assert (row["usual_ln_speed"], row["sd_ln_speed"]) == pytest.approx(expected)


def test_speeds_that_are_all_alike_were_copied_and_are_no_surer() -> None:
    with connect(test_records=[record("V1", n, 0.9) for n in range(20)]) as connection:
        keep_readings(connection, day(400))
        [row] = queries.answer(
            connection, "usual_crank_speed", few=3, unknown_sd=0.1, least_sd=0.03
        ).to_pylist()

    assert row["sd_ln_speed"] == 0.03
