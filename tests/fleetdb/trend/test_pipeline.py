"""The pipeline end to end: on pumps written out by hand, simulated, and on a generated fleet."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.trend.assessment import Assessment, FleetContext
from fleetdb.trend.pipeline import assess, assess_vehicle
from fleetdb.trend.states import State
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from fleetdb.warehouse.views import register_tables
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import (
    FAMILY,
    Row,
    assert_same,
    connect,
    day,
    finding,
    leak,
    pump,
    record,
    vehicle,
)
from tests.loaded_fleets import Loaded, load_fleet, small_fleet

AT = datetime(2026, 3, 31, 23, 59, 59, tzinfo=UTC)
ACT = ("book_in", "stand_down")


def judged(as_of: float, **rows: Any) -> dict[str, Row]:
    """Return the verdict of each vehicle on day ``as_of``."""
    with connect(**rows) as connection:
        verdicts = assess(connection, day(as_of)).verdicts
    assert verdicts.schema == SCHEMA
    return {row["vehicle"]: row for row in verdicts.to_pylist()}


def ratios(*values: float, first: float = 10, every: float = 40) -> list[Row]:
    return [record("V1", first + every * n, ratio) for n, ratio in enumerate(values)]


FALLING = ratios(0.94, 0.94, 0.92, 0.88, 0.80, 0.72, 0.62, 0.55)


def test_a_pump_that_falls_away_is_stood_down_and_told_why() -> None:
    row = judged(300, test_records=FALLING)["V1"]

    assert row["state"] == "stand_down"
    assert row["proof_ratio"] < 0.65
    assert row["probability_below_limit"] > 0.9
    assert row["limit_date_p50"] == day(300).date()
    assert "0.80" in row["reasons"]


def test_a_new_pump_starts_afresh() -> None:
    new = ratios(0.94, 0.95, 0.94, first=310, every=20)

    row = judged(360, test_records=FALLING + new, fitments=[pump("V1", 305, "B")])["V1"]

    assert row["pump_serial"] == "B"
    assert row["fitted_at"] == day(305)
    assert row["n_tests"] == 3
    assert row["state"] == "sound"
    assert row["delivery_reserve"] > 1.1
    old_still = judged(360, test_records=FALLING + new)["V1"]
    assert old_still["n_tests"] == len(FALLING) + 3


def test_one_botched_run_is_no_failure() -> None:
    botched = ratios(0.94, 0.95, 0.94, 0.95, 0.94, 0.60)

    now = judged(215, test_records=botched)["V1"]
    later = judged(260, test_records=[*botched, *ratios(0.94, first=250)])["V1"]

    assert now["state"] not in ACT
    assert now["last_raw_proof_ratio"] == pytest.approx(0.60)
    assert later["state"] not in ACT
    assert later["delivery_reserve"] > 1.1


@pytest.mark.parametrize("n_good", [0, 6])
@pytest.mark.parametrize("ratio", [0.0, 0.01, 0.1, 0.3, 0.4, 0.6])
def test_a_pump_that_fails_proof_after_proof_is_acted_on_however_little_it_reaches(
    ratio: float, n_good: int
) -> None:
    tests = ratios(*[0.94] * n_good, *[ratio] * 4)

    for n_bad in (2, 3, 4):
        seen = n_good + n_bad
        row = judged(10 + 40 * (seen - 1) + 5, test_records=tests)["V1"]
        assert row["state"] in ACT, n_bad
    assert row["state"] == "stand_down"
    assert row["delivery_reserve"] < 0.8
    assert "4 proofs in a row" in row["reasons"]


def test_the_ratio_s_range_holds_what_a_test_reads() -> None:
    read = [0.93, 0.96, 0.94, 0.97, 0.95, 0.94, 0.96, 0.95]

    row = judged(320, test_records=ratios(*read))["V1"]

    assert row["proof_ratio_low"] < 0.94 < 0.96 < row["proof_ratio_high"]
    assert row["proof_ratio_high"] - row["proof_ratio_low"] < 0.2


def test_a_cold_test_is_no_improvement() -> None:
    worn = ratios(*[0.82] * 6)
    cold = record("V1", 255, 0.93, fuel_temp_c=2.0)

    before = judged(256, test_records=worn)["V1"]
    after = judged(256, test_records=[*worn, cold])["V1"]
    same_but_warm = judged(256, test_records=[*worn, {**cold, "fuel_temp_c": 40.0}])["V1"]

    assert after["delivery_reserve"] <= before["delivery_reserve"] + 0.02
    assert State[after["state"].upper()] >= State[before["state"].upper()]
    assert same_but_warm["delivery_reserve"] > after["delivery_reserve"]


@pytest.mark.parametrize(
    ("values", "state"),
    [
        ((), "unproven"),
        ((0.5,), "unproven"),
        ((0.94, 0.93), "unproven"),
        ((0.94, 0.70), "unproven"),
        ((0.70, 0.66), "stand_down"),
        ((0.94, 0.93, 0.94), "sound"),
    ],
    ids=str,
)
def test_two_results_prove_nothing_unless_both_are_below_the_limit(
    values: tuple[float, ...], state: str
) -> None:
    assert judged(200, test_records=ratios(*values))["V1"]["state"] == state


@pytest.mark.parametrize("n_tests", [0, 1, 2, 5])
def test_a_pump_that_failed_on_the_road_is_stood_down_however_few_its_tests(n_tests: int) -> None:
    tests = ratios(*[0.94] * n_tests)

    row = judged(300, test_records=tests, findings=[finding("V1", 250, "failed_on_road")])["V1"]

    assert row["state"] == "stand_down"
    assert day(250).date().isoformat() in row["reasons"]


def test_a_later_test_or_a_new_pump_answers_a_failure() -> None:
    failed = [finding("V1", 250, "failed_on_road")]
    tests = ratios(*[0.94] * 5)

    tested = judged(300, test_records=[*tests, *ratios(0.94, first=260)], findings=failed)["V1"]
    replaced = judged(300, test_records=tests, findings=failed, fitments=[pump("V1", 255)])["V1"]

    assert tested["state"] != "stand_down"
    assert replaced["state"] == "unproven"


def test_a_vehicle_without_a_record_is_unproven_and_has_no_figures() -> None:
    row = judged(100)["V1"]

    assert row["state"] == "unproven"
    assert row["n_tests"] == 0
    assert row["reasons"]
    for name in ("proof_ratio", "delivery_reserve", "last_test_at", "last_raw_proof_ratio"):
        assert row[name] is None, name


def test_a_fleet_of_one_vehicle_with_one_record_is_judged() -> None:
    row = judged(100, test_records=ratios(0.93))["V1"]

    assert row["n_tests"] == 1
    assert 0 < row["proof_ratio_low"] < row["proof_ratio"] < row["proof_ratio_high"]
    assert row["last_test_at"] == day(10)


def test_an_empty_fleet_has_no_verdicts() -> None:
    with connect(vehicles=[], pump_families=[]) as connection:
        assessment = assess(connection, day(100))

    assert assessment.verdicts.schema == SCHEMA
    assert assessment.verdicts.num_rows == 0
    assert assessment.tables["kits"].num_rows == 0
    assert assessment.meta["vehicles"] == 0


def test_a_vehicle_that_is_not_in_service_yet_has_no_verdict() -> None:
    assert judged(-400) == {}


def test_a_record_of_leak_runs_alone_is_no_trouble() -> None:
    row = judged(100, test_records=[record("V1", 10, **leak(60, 400, 10, 11, 40, 9))])["V1"]

    assert row["state"] == "unproven"
    assert row["n_tests"] == 0
    assert row["worst_cylinder"] == 3
    assert row["leak_ml_per_min"] == pytest.approx(70)


def test_much_injector_leak_leads_the_cause_of_a_loss() -> None:
    fleet = Simulated(
        vehicles=12, tests=8, ln_reserve=lambda v, d: math.log(0.95 if v < 2 else 1.6)
    )
    rows = fleet.rows()
    for row in rows["test_records"]:
        flows = (40.0, 9.0, 9.0, 9.0) if row["vehicle"] == "V00" else (9.0,) * 4
        row |= leak(60, 400, *flows)

    verdicts = judged(400, **rows)

    assert {verdicts[v]["state"] for v in ("V00", "V01")} <= {*ACT, "watch"}
    assert verdicts["V00"]["leading_cause"] == "injector_leak"
    assert verdicts["V00"]["worst_cylinder"] == 1
    assert verdicts["V01"]["leading_cause"] == "pump_wear"


def test_the_limit_is_that_of_the_family_version_in_force() -> None:
    strict = {"pump_family": "fam", "applies_from": day(150).date(), "proof_ratio_limit": 0.97}
    families = [FAMILY, {**FAMILY, **strict}]
    tests = ratios(0.86, 0.85, 0.86, 0.86, 0.85, 0.86)

    before = judged(149, test_records=tests[:4], pump_families=families)["V1"]
    after = judged(220, test_records=tests, pump_families=families)["V1"]
    assert before["state"] != "stand_down"
    assert after["state"] == "stand_down"


def test_a_moment_is_utc_whatever_zone_it_is_written_in() -> None:
    rows = {"test_records": FALLING}
    with connect(**rows) as connection:
        bare = assess(connection, day(300)).verdicts
        aware = assess(connection, day(300).replace(tzinfo=UTC)).verdicts

    assert bare.equals(aware)


def test_the_order_records_arrive_in_does_not_matter() -> None:
    rows = Simulated(vehicles=8, tests=10, kits=3).rows()
    mixed = {**rows, "test_records": rows["test_records"][::-1], "vehicles": rows["vehicles"][::-1]}

    one, other = judged(400, **rows), judged(400, **mixed)

    assert one.keys() == other.keys()
    for name in one:
        assert_same(one[name], other[name])


def test_healthy_pumps_are_left_alone_and_worn_ones_called() -> None:
    fleet = Simulated(vehicles=30, tests=14, ln_reserve=lambda v, d: math.log(1.7))
    worn = replace(
        fleet,
        ln_reserve=lambda v, d: math.log(1.7) - (v % 5 == 0) * 0.7 * max(d - 200, 0) / 365.25,
    )

    calm, mixed = judged(640, **fleet.rows()), judged(640, **worn.rows())

    assert not [row for row in calm.values() if row["state"] in ACT]
    called = {name for name, row in mixed.items() if row["state"] in ACT}
    assert called == {f"V{v:02}" for v in range(0, 30, 5)}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return load_fleet(small_fleet(), tmp_path_factory.mktemp("pipeline"))


@pytest.fixture(scope="module")
def mirror(loaded: Loaded) -> Iterator[duckdb.DuckDBPyConnection]:
    with loaded.mirror() as connection:
        yield connection


@pytest.fixture(scope="module")
def assessment(mirror: duckdb.DuckDBPyConnection) -> Assessment:
    return assess(mirror, AT)


def test_a_generated_fleet_has_one_verdict_per_vehicle_in_service(
    mirror: duckdb.DuckDBPyConnection, assessment: Assessment
) -> None:
    verdicts = assessment.verdicts
    in_service = mirror.execute(
        "SELECT vehicle FROM vehicles WHERE in_service_on <= ? ORDER BY vehicle", [AT.date()]
    ).fetchall()

    assert verdicts.schema == SCHEMA
    assert sorted(verdicts["vehicle"].to_pylist()) == [name for (name,) in in_service]
    assert set(verdicts["state"].to_pylist()) <= {state.word for state in State}
    assert set(verdicts["as_of"].to_pylist()) == {AT.date()}


def test_every_verdict_makes_sense(assessment: Assessment) -> None:
    for row in assessment.verdicts.to_pylist():
        for name in ("probability_below_limit", "probability_worn"):
            assert 0 <= row[name] <= 1 + 1e-9
        if row["n_tests"]:
            assert row["proof_ratio_low"] <= row["proof_ratio"] <= row["proof_ratio_high"]
            assert row["delivery_reserve_low"] <= row["delivery_reserve"]
            assert row["delivery_reserve"] <= row["delivery_reserve_high"]
        dates = [row[f"limit_date_p{p}"] for p in (10, 50, 90)]
        known = [d for d in dates if d is not None]
        assert known == sorted(known)
        assert dates[: len(known)] == known
        assert all(d >= AT.date() for d in known)
        assert (row["leading_cause"] is not None) == (row["state"] in (*ACT, "watch"))
        shares = [row[name] for name in row if name.startswith("share_")]
        assert sum(shares) == pytest.approx(1)
        assert row["reasons"]
        assert row["advice"]
        assert "safe" not in (row["reasons"] + row["advice"]).lower()


def test_the_counts_beside_the_verdicts_are_theirs(assessment: Assessment) -> None:
    states = assessment.verdicts["state"].to_pylist()

    assert assessment.meta["vehicles"] == len(states)
    assert assessment.meta["vehicles_by_state"] == {s.word: states.count(s.word) for s in State}


def test_a_vehicles_verdict_is_the_fleets(loaded: Loaded, assessment: Assessment) -> None:
    """What a receipt says is what the fleet run says, for the same records and context."""
    context = FleetContext.of(assessment.tables)
    fleet = {row["vehicle"]: row for row in assessment.verdicts.to_pylist()}
    with loaded.store() as store:
        for name in list(fleet)[::4]:
            with store.read() as session:
                tables = vehicle_tables(session, loaded.fleet_id, name)
            with duckdb.connect() as connection:
                register_tables(connection, tables)
                [row] = assess_vehicle(connection, AT, context).to_pylist()
            assert_same(fleet[name], row)


def test_a_vehicle_without_a_published_fleet_is_judged_by_itself(loaded: Loaded) -> None:
    with loaded.store() as store, store.read() as session:
        tables = vehicle_tables(session, loaded.fleet_id, "LM-0002")
    with duckdb.connect() as connection:
        register_tables(connection, tables)
        [row] = assess_vehicle(connection, AT, None).to_pylist()

    assert row["vehicle"] == "LM-0002"
    assert row["state"] in {state.word for state in State}


TIMES = {
    "test_records": "performed_at",
    "fitments": "fitted_at",
    "findings": "found_at",
    "kit_calibrations": "calibrated_at",
}


def test_a_past_dates_verdicts_do_not_depend_on_what_came_later(
    mirror: duckdb.DuckDBPyConnection,
) -> None:
    moment = datetime(2025, 8, 31, 23, 59, 59)  # noqa: DTZ001
    tables: dict[str, pa.Table] = {}
    for name, schema in TREND_SCHEMAS.items():
        whole = mirror.table(name).to_arrow_table().cast(schema)
        if name in TIMES:
            kept = whole.filter(pc.less_equal(whole[TIMES[name]], pa.scalar(moment)))
            assert kept.num_rows < whole.num_rows
            whole = kept
        tables[name] = whole
    with duckdb.connect() as connection:
        register_tables(connection, tables)
        then = assess(connection, moment)
    now = assess(mirror, moment)

    for one, other in zip(then.verdicts.to_pylist(), now.verdicts.to_pylist(), strict=True):
        assert_same(one, other)


def test_the_fleets_constants_are_learnt_and_published(assessment: Assessment) -> None:
    constants = assessment.tables["constants"].to_pylist()

    assert {row["pump_family"] for row in constants} == {"reed-1600", "alder-1800", "rowan-2000"}
    assert all(np.isfinite(v) for row in constants for v in row.values() if isinstance(v, float))


def test_a_vehicle_of_another_family_moves_no_verdict() -> None:
    both = {
        "pump_families": [FAMILY, {**FAMILY, "pump_family": "other"}],
        "vehicles": [vehicle("V1"), vehicle("V2", pump_family="other")],
    }
    alone = judged(300, test_records=FALLING)["V1"]
    beside = judged(300, test_records=[*FALLING, *[record("V2", 5, 0.94)]], **both)["V1"]

    assert_same(alone, beside)
