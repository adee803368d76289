from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import (
    FAMILY,
    arrow_tables,
    connect,
    day,
    finding,
    pump,
    record,
    vehicle,
)


def readings(as_of: float = 400, **rows: Any) -> pl.DataFrame:
    with connect(**rows) as connection:
        keep_readings(connection, day(as_of))
        return connection.sql(
            "SELECT r.*, p.vehicle, p.pump_serial FROM readings r JOIN pumps p USING (pump_id) "
            "ORDER BY r.pump_id, r.performed_at, r.record_id"
        ).pl()


def test_each_test_belongs_to_the_pump_fitted_at_its_time() -> None:
    got = readings(
        fitments=[pump("V1", 10, "B"), pump("V1", 20, "C")],
        test_records=[record("V1", at, 0.9) for at in (25, 9.999, 10, 19.999, 20)],
    )

    assert got["performed_at"].to_list() == [day(at) for at in (9.999, 10, 19.999, 20, 25)]
    assert got["pump_serial"].to_list() == [None, "B", "B", "C", "C"]


def test_a_test_of_another_vehicle_keeps_to_its_own_pump() -> None:
    got = readings(
        vehicles=[vehicle("V1"), vehicle("V2")],
        fitments=[pump("V1", 10, "B")],
        test_records=[record("V1", 12, 0.9), record("V2", 12, 0.8)],
    )

    assert dict(zip(got["vehicle"], got["pump_serial"], strict=True)) == {"V1": "B", "V2": None}


def test_only_what_was_done_by_the_date_is_seen() -> None:
    rows = {"test_records": [record("V1", at, 0.9) for at in (1, 5, 5.0001)]}

    assert readings(as_of=5, **rows)["performed_at"].to_list() == [day(1), day(5)]


def test_the_ratio_is_pressure_reached_over_target_and_windows_are_shares_of_the_target() -> None:
    # 650 bar of 700 is 0.93 (common practice, no source).
    [row] = readings(
        test_records=[record("V1", 1, 650 / 700, rate_bar_per_s=310.0, from_bar=70.0, to_bar=350.0)]
    ).to_dicts()

    assert round(row["proof_ratio"], 2) == 0.93
    assert (row["from_share"], row["to_share"]) == (0.1, 0.5)
    assert row["rate_bar_per_s"] == 310.0


@pytest.mark.parametrize(
    ("duty_pct", "comparable"), [(45.0, True), (47.0, True), (47.5, False), (None, True)]
)
def test_a_proof_at_another_duty_is_no_ratio_but_still_a_test(
    duty_pct: float | None, comparable: bool
) -> None:
    [row] = readings(
        test_records=[record("V1", 1, 0.9, duty_pct=duty_pct, rate_bar_per_s=300.0)]
    ).to_dicts()

    assert (row["proof_ratio"] is not None) is comparable
    assert row["rate_bar_per_s"] == 300.0


def test_settings_are_those_of_the_day_of_the_test() -> None:
    later = {**FAMILY, "applies_from": day(100).date(), "reference_fuel_temp_c": 50.0}
    later |= {"proof_target_bar": 800.0}
    got = readings(
        pump_families=[later, FAMILY],
        test_records=[
            record("V1", at, rate_bar_per_s=300.0, from_bar=70.0) for at in (-200, 99.9, 100, 101)
        ],
    )

    assert got["reference_fuel_temp_c"].to_list() == [40, 40, 50, 50]
    assert got["from_share"].to_list() == [70 / 700, 70 / 700, 70 / 800, 70 / 800]


def test_a_test_knows_when_a_part_was_last_fitted_before_it() -> None:
    got = readings(
        fitments=[pump("V1", 15, part="fuel_filter"), pump("V1", 1, part="regulator")],
        test_records=[record("V1", at, 0.9) for at in (5, 10, 20, 30)],
    )

    assert got["supply_repaired_at"].to_list() == [None, None, day(15), day(15)]
    assert got["leaks_repaired_at"].to_list() == [day(1)] * 4


def test_a_failure_without_a_new_pump_counts_as_a_repair() -> None:
    got = readings(
        findings=[finding("V1", 15, "failed_on_road"), finding("V1", 25, "no_fault_found")],
        test_records=[record("V1", at, 0.9) for at in (10, 20, 30)],
    )

    assert got["leaks_repaired_at"].to_list() == [None, day(15), day(15)]
    assert got["supply_repaired_at"].to_list() == [None] * 3


def test_two_tests_at_the_same_time_are_both_kept() -> None:
    twice = [record("V1", 1, 0.9), record("V1", 1, 0.8, record_id="later id")]

    assert readings(test_records=twice)["proof_ratio"].to_list() == pytest.approx([0.9, 0.8])


def test_polars_joins_the_same() -> None:
    rows = {
        "vehicles": [vehicle(f"V{v}") for v in range(4)],
        "fitments": [pump(f"V{v}", at, f"{v}-{at}") for v in range(4) for at in (-365, 40 + v, 90)],
        "test_records": [
            record(f"V{v}", 7 * t + v / 10, 0.7 + (t * (v + 3) % 40) / 100)
            for v in range(4)
            for t in range(20)
        ],
    }
    got = readings(**rows)

    tables = {name: pl.DataFrame(table) for name, table in arrow_tables(**rows).items()}
    expected = (
        tables["test_records"]
        .sort("performed_at")
        .join_asof(
            tables["fitments"].sort("fitted_at"),
            left_on="performed_at",
            right_on="fitted_at",
            by="vehicle",
            check_sortedness=False,
        )
        .select(
            "record_id",
            pump_serial="serial",
            proof_ratio=pl.col("actual_bar") / pl.col("target_bar"),
        )
        .sort("record_id")
    )
    assert got.height == 80
    assert got.select(expected.columns).sort("record_id").equals(expected)
