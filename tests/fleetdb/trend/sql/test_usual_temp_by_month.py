from __future__ import annotations

import duckdb
import polars as pl
import pytest

from fleetdb.trend import queries


def by_month(rows: list[tuple[str | None, int, float | None]]) -> list[tuple]:
    with duckdb.connect() as connection:
        schema = {"depot": pl.String, "month_no": pl.Int64, "usual_fuel_temp_c": pl.Float64}
        connection.register("usual_fuel_temp", pl.DataFrame(rows, schema=schema, orient="row"))
        return pl.DataFrame(queries.answer(connection, "usual_temp_by_month")).rows()


def test_a_month_is_the_mean_of_its_depots() -> None:
    rows = [("North", 1, 10.0), (None, 1, 14.0), ("North", 2, 11.0), (None, 2, 16.0)]

    assert by_month(rows) == [(1, pytest.approx(12)), (2, pytest.approx(13.5))]


def test_a_month_of_which_too_little_is_known_is_left_out() -> None:
    assert by_month([("North", 1, None), (None, 1, 14.0), ("North", 2, 11.0)]) == [(2, 11)]
