from __future__ import annotations

import math
from typing import Any

import polars as pl
import pytest

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import Row, connect, day, record, vehicle


def with_conditions(
    records: list[Row],
    temps: list[Row],
    windows: list[tuple[str, str | None, float, float]] | None = None,
    **rows: Any,
) -> pl.DataFrame:
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(400))
        connection.register(
            "usual_fuel_temp",
            pl.DataFrame(
                temps,
                schema={
                    "depot": pl.String,
                    "month_no": pl.Int64,
                    "usual_fuel_temp_c": pl.Float64,
                    "sd_fuel_temp_c": pl.Float64,
                },
            ),
        )
        connection.register(
            "usual_crank_speed", pl.DataFrame({"usual_ln_speed": [-0.1], "sd_ln_speed": [0.05]})
        )
        connection.register(
            "usual_window",
            pl.DataFrame(
                windows or [],
                schema={
                    "pump_family": pl.String,
                    "workshop": pl.String,
                    "usual_from_share": pl.Float64,
                    "usual_to_share": pl.Float64,
                },
                orient="row",
            ),
        )
        table = pl.DataFrame(
            queries.answer(connection, "readings_with_conditions", added=3, unknown_sd_c=12.0)
        )
        vehicles = connection.sql("SELECT pump_id, vehicle FROM pumps").pl()
        return table.join(vehicles, on="pump_id", maintain_order="left")


def temp(depot: str | None, month_no: int, usual: float | None) -> Row:
    return {
        "depot": depot,
        "month_no": month_no,
        "usual_fuel_temp_c": usual,
        "sd_fuel_temp_c": 4.0,
    }


def test_a_test_gets_the_usual_temperature_of_its_depot_and_month() -> None:
    got = with_conditions(
        [record("V1", 5, 0.9), record("V1", 40, 0.9), record("V2", 5, 0.9)],
        [temp("North", 1, 11.0), temp("North", 2, 22.0), temp(None, 1, 33.0)],
        vehicles=[vehicle("V1"), vehicle("V2", depot=None)],
    )

    assert got["usual_fuel_temp_c"].to_list() == [11, 22, 33]
    assert got["sd_fuel_temp_c"].to_list() == [4, 4, 4]


def test_where_nothing_is_known_the_reference_stands_in() -> None:
    got = with_conditions([record("V1", 5, 0.9)], [temp("North", 1, None)])

    assert got["usual_fuel_temp_c"].to_list() == [40]


def test_a_vehicle_cranks_as_the_fleet_does_and_as_its_own_other_tests_did() -> None:
    records = [
        record("V1", 1, 0.9, crank_rpm=200.0),
        record("V1", 2, 0.9, crank_rpm=None),
        record("V1", 3, 0.9, crank_rpm=180.0),
        record("V2", 3, 0.9, crank_rpm=None),
    ]
    got = with_conditions(records, [], vehicles=[vehicle("V1"), vehicle("V2")])

    own = -0.1 + ((0 + 0.1) + (math.log(0.9) + 0.1)) / (2 + 3)
    assert got["usual_ln_speed"].to_list() == pytest.approx([own, own, own, -0.1])
    assert got["sd_ln_speed"].unique().to_list() == [0.05]


def test_a_build_rate_without_its_window_was_timed_as_its_workshop_or_else_the_family_does() -> (
    None
):
    timed = {"rate_bar_per_s": 200.0}
    got = with_conditions(
        [
            record("V1", 1, workshop="Eastyard", from_bar=70.0, to_bar=210.0, **timed),
            record("V1", 2, workshop="Eastyard", **timed),
            record("V1", 3, workshop="Eastyard", from_bar=70.0, **timed),
            record("V1", 4, workshop="Westyard", **timed),
            record("V1", 5, **timed),
        ],
        [],
        [("fam", None, 0.2, 0.5), ("fam", "Eastyard", 0.15, 0.6), ("other", "Westyard", 0.3, 0.9)],
    )

    windows = [(0.1, 0.3), (0.15, 0.6), (0.15, 0.6), (0.2, 0.5), (0.2, 0.5)]
    assert got.select("from_share", "to_share").rows() == windows


def test_where_no_window_was_ever_given_there_is_none() -> None:
    got = with_conditions([record("V1", 1, rate_bar_per_s=200.0)], [])

    assert got.select("from_share", "to_share").rows() == [(None, None)]


def test_every_test_is_there_once_in_order_of_pump_and_time() -> None:
    records = [record(f"V{v}", at, 0.9) for at in (30, 2, 14) for v in (2, 1)]
    got = with_conditions(records, [], vehicles=[vehicle("V1"), vehicle("V2")])

    order = [("V1", 2), ("V1", 14), ("V1", 30), ("V2", 2), ("V2", 14), ("V2", 30)]
    assert got.select("vehicle", "performed_at").rows() == [(v, day(at)) for v, at in order]
