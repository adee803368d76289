from __future__ import annotations

from datetime import date

import pyarrow as pa

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import FAMILY, connect, day

VERSIONS = [
    {**FAMILY, "proof_ratio_limit": 0.8, "leak_limit_ml_per_min": 300.0},
    {**FAMILY, "proof_ratio_limit": 0.85, "applies_from": date(2024, 2, 1)},
]
USUAL = pa.table({"pump_family": ["fam"], "usual_rail_bar": [640.0]})


def test_the_version_of_the_day_is_in_force() -> None:
    with connect(pump_families=VERSIONS) as connection:
        connection.register("usual_leak", USUAL)
        keep_readings(connection, day(400))
        before, after = (
            queries.answer(connection, "family_in_force", as_of=day(at)).to_pylist()
            for at in (30, 31)
        )

    assert [row["proof_ratio_limit"] for row in before] == [0.8]
    assert [row["leak_limit_ml_per_min"] for row in before] == [300]
    assert [row["proof_ratio_limit"] for row in after] == [0.85]
    assert after[0]["usual_leak_rail_bar"] == 640


def test_a_family_without_leak_runs_has_no_usual_one() -> None:
    with connect() as connection:
        connection.register("usual_leak", USUAL.slice(0, 0))
        keep_readings(connection, day(400))
        [row] = queries.answer(connection, "family_in_force", as_of=day(30)).to_pylist()

    assert row["usual_leak_rail_bar"] is None
    assert (row["cylinders"], row["reference_fuel_temp_c"]) == (4, 40)
