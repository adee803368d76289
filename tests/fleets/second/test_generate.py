from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest

from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.loading import load_paths
from tests.fleets.second.generate import generate
from tests.fleets.second.kinds import KINDS


@pytest.fixture(scope="module")
def plain():
    return generate("plain", vehicles=60, seed=3)


def test_the_same_arguments_give_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        generate("sparse", vehicles=8, seed=4).write(tmp_path / name)
    files = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert len(files) == 6
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    other = generate("sparse", vehicles=8, seed=5)
    assert other.documents["fitments"] != generate("sparse", vehicles=8, seed=4).documents


def test_a_larger_fleet_begins_with_the_smaller_ones_vehicles(plain):
    few = generate("plain", vehicles=5, seed=3)
    names = [f"S{i:04}" for i in range(1, 6)]
    assert plain.truth.reserve.filter(pl.col("vehicle").is_in(names)).equals(few.truth.reserve)


@pytest.mark.parametrize("name", KINDS)
def test_the_store_takes_every_document(name, sqlite_store, tmp_path):
    generate(name, vehicles=12, seed=6).write(tmp_path / "documents")
    with sqlite_store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    summary = load_paths(
        sqlite_store, fleet_id, [tmp_path / "documents"], tmp_path / "refused.ndjson", "test"
    )
    assert summary.refused_path is None
    assert all(counts.refused == 0 for counts in summary.counts.values())
    assert sum(counts.accepted for counts in summary.counts.values()) > 100


def test_pumps_of_a_vehicle_follow_one_another(plain):
    for _, pumps in plain.truth.pumps.sort("fitted_at").group_by("vehicle", maintain_order=True):
        assert pumps["removed_at"].to_list()[:-1] == pumps["fitted_at"].to_list()[1:]
        assert pumps["removed_at"].to_list()[-1] is None


def test_a_failure_comes_while_the_reserve_is_below_the_limit(plain):
    truth = plain.truth
    failed = truth.pumps.filter(pl.col("failed_at").is_not_null())
    spans = failed.join(truth.below_limit, on="pump_serial").filter(
        (pl.col("from_at") < pl.col("failed_at")) & (pl.col("to_at") >= pl.col("failed_at"))
    )
    assert failed.height >= 5
    assert spans.height == failed.height


def test_month_ends_below_the_limit_are_those_within_its_spans(plain):
    truth = plain.truth
    below = truth.reserve.join(truth.pumps, on="pump_serial").filter(
        pl.col("reserve") < pl.col("proof_ratio_limit")
    )
    noon = pl.col("as_of").cast(pl.Datetime("us")) + timedelta(hours=12)
    within = (
        truth.reserve.join(truth.below_limit, on="pump_serial")
        .filter((pl.col("from_at") <= noon) & (pl.col("to_at") >= noon))
        .select("pump_serial", "as_of")
    )
    assert below.height > 5
    assert below.join(within, on=["pump_serial", "as_of"], how="anti").is_empty()
    assert within.height == below.height


def test_records_are_of_the_pump_fitted_at_the_time(plain):
    tests = plain.truth.tests.join(plain.truth.pumps, on="pump_serial")
    assert tests.height == len(plain.test_record_lines)
    assert tests.filter(pl.col("performed_at") < pl.col("fitted_at")).is_empty()
    assert tests.filter(pl.col("performed_at") > pl.col("removed_at")).is_empty()


def test_writers_leave_out_what_they_are_said_to(plain):
    records = [line.record for line in plain.test_record_lines]
    kind = KINDS["plain"]
    no_temp = sum("fuel_temp_c" not in r.get("conditions", {}) for r in records) / len(records)
    assert no_temp == pytest.approx(kind.no_temp, abs=0.05)
    assert sum("leak" in r for r in records) / len(records) == pytest.approx(0.40, abs=0.05)
    first = [r["proof"]["actual_bar"] for r in records if "proof" in r and r["workshop"] == "Bay A"]
    assert all(bar % 10 == 0 for bar in first)


def test_a_slip_of_units_is_a_tenth_of_what_was_meant_and_is_told_of_beside(plain):
    slips = [line.record for line in plain.test_record_lines if line.slip is not None]
    assert slips
    assert {record["workshop"] for record in slips} == {"Bay B"}
    for record in slips:
        assert record["proof"]["actual_bar"] < 0.13 * record["proof"]["target_bar"]


def test_steps_of_kits_are_of_4_to_8_percent_and_no_kit_is_far_off_for_good(plain):
    many = [generate(replace(KINDS["plain"], kit_steps=1.0), vehicles=1, seed=s) for s in range(9)]
    events = pl.concat(fleet.truth.kit_events for fleet in many)
    steps = events.filter(pl.col("kind") == "step")["size"].abs()
    assert steps.len() > 50
    assert steps.min() >= 0.04
    assert steps.max() <= 0.08
    biases = pl.concat(fleet.truth.kits for fleet in many)["bias"].abs()
    assert biases.quantile(0.95) < 0.15


def test_kinds_differ_where_their_names_say_so():
    cold = generate("cold_engines", vehicles=30, seed=7)
    temps = [
        r["conditions"]["fuel_temp_c"]
        for r in (line.record for line in cold.test_record_lines)
        if "fuel_temp_c" in r.get("conditions", {})
    ]
    assert min(temps) > -4
    assert max(temps) < 19
    sparse = generate("sparse", vehicles=30, seed=7).truth
    a_year = sparse.tests.height / (sparse.reserve.height / 12)
    assert 2 <= a_year <= 4
    high = generate("high_margin", vehicles=30, seed=7).truth
    assert high.pumps["new_reserve"].min() >= 1.6
    power = generate("power_wear", vehicles=30, seed=7).truth
    assert set(power.pumps["wear_law"]) == {"power"}
