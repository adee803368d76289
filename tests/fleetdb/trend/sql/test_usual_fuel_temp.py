from __future__ import annotations

import polars as pl
import pytest

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import Row, connect, day, record, vehicle

VEHICLES = [vehicle("V1", depot="North"), vehicle("V2", depot="South"), vehicle("V3", depot=None)]


def usual(records: list[Row], added: float = 0, few: int = 1) -> pl.DataFrame:
    with connect(vehicles=VEHICLES, test_records=records) as connection:
        keep_readings(connection, day(400))
        table = queries.answer(
            connection, "usual_fuel_temp", added=added, few=few, unknown_sd_c=12.0, least_sd_c=3.0
        )
    return pl.DataFrame(table)


def at(table: pl.DataFrame, depot: str | None, month_no: int) -> float | None:
    of_place = pl.col("depot").eq_missing(pl.lit(depot))
    return table.filter(of_place & (pl.col("month_no") == month_no)).item(0, "usual_fuel_temp_c")


# January: 10 and 20, mean 15; July: 40 and 50, mean 45; the year's mean is 30. North departs
# by -5 in both months, South by +5, so nothing scatters,
# and the spread is the least there can be.
JANUARY_AND_JULY = [
    record("V1", 5, 0.9, fuel_temp_c=10.0),
    record("V2", 6, 0.9, fuel_temp_c=20.0),
    record("V1", 185, 0.9, fuel_temp_c=40.0),
    record("V2", 186, 0.9, fuel_temp_c=50.0),
]


def test_a_depot_has_the_months_mean_and_its_own_departure() -> None:
    table = usual(JANUARY_AND_JULY)

    assert at(table, "North", 1) == pytest.approx(10)
    assert at(table, "South", 7) == pytest.approx(50)
    assert at(table, None, 1) == pytest.approx(15)
    assert at(table, "South", 4) == pytest.approx(35)  # no April: the year's mean
    assert table["sd_fuel_temp_c"].to_list() == pytest.approx([3] * 36)
    assert table.height == 3 * 12


def test_months_and_departures_are_shrunk_by_the_tests_added() -> None:
    table = usual(JANUARY_AND_JULY, added=2)

    # January (10 + 20 + 2 * 30) / 4 = 22.5, July (40 + 50 + 2 * 30) / 4 = 37.5;
    # North departs by (-12.5 + 2.5) / (2 + 2) = -2.5.
    assert at(table, "North", 1) == pytest.approx(20)
    assert at(table, None, 7) == pytest.approx(37.5)


def test_too_few_tests_teach_nothing() -> None:
    table = usual(JANUARY_AND_JULY, few=5)

    assert table["usual_fuel_temp_c"].null_count() == 36


def test_no_test_with_a_temperature_leaves_the_spread_unknown() -> None:
    table = usual([record("V1", 1, 0.9, fuel_temp_c=None)])

    assert table["usual_fuel_temp_c"].null_count() == 36
    assert table["sd_fuel_temp_c"].unique().to_list() == [12.0]


def test_polars_says_the_same() -> None:
    records = [
        record(f"V{1 + n % 3}", 9 * n, 0.9, fuel_temp_c=float(20 + (7 * n) % 31)) for n in range(40)
    ]
    added = 20
    known = pl.DataFrame(
        {
            "depot": [VEHICLES[n % 3]["depot"] for n in range(40)],
            "month_no": [day(9 * n).month for n in range(40)],
            "temp": [float(20 + (7 * n) % 31) for n in range(40)],
        }
    )
    year = known["temp"].mean()
    known = known.with_columns(
        month=(pl.col("temp").sum() + added * year).over("month_no")
        / (pl.len().over("month_no") + added)
    ).with_columns(
        departure=(pl.col("temp") - pl.col("month")).sum().over("depot")
        / (pl.len().over("depot") + added)
    )
    sd = (
        known.select(((pl.col("temp") - pl.col("month") - pl.col("departure")) ** 2).mean().sqrt())
    ).item()

    table = usual(records, added=added, few=12)

    assert table["sd_fuel_temp_c"].to_list() == pytest.approx([sd] * 36)
    for depot, month_no, month, departure in known.select(
        "depot", "month_no", "month", "departure"
    ).unique().iter_rows():  # fmt: skip
        assert at(table, depot, month_no) == pytest.approx(month + departure)
