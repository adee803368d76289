from dataclasses import replace

import polars as pl
import pytest

from demo_fleet.faults import FaultOptions
from demo_fleet.generate import generate
from demo_fleet.options import FleetOptions, OperatorOptions
from demo_fleet.wear import WearOptions

NO_FAULTS = FaultOptions(
    injectors_per_year=0, injector_sets_per_year=0, regulators_per_year=0, filters_per_year=0
)
LONG_LIVED = WearOptions(
    slow_weight=1, exponential_weight=0, power_weight=0, slow_life_km=1e9,
    contaminations_per_year=0,
)  # fmt: skip
BASE = FleetOptions(vehicles=40, years=3, seed=9, faults=NO_FAULTS, wear=LONG_LIVED)


def test_pumps_that_do_not_wear_keep_their_reserve_and_never_fail():
    truth = generate(BASE).truth
    assert truth.pumps["failed_at"].null_count() == truth.pumps.height
    spread = truth.reserve.group_by("pump_serial").agg(
        fall=pl.col("reserve").max() - pl.col("reserve").min()
    )
    assert spread["fall"].max() < 0.01


def test_wear_is_seen_in_the_reserve_and_its_cause():
    fast = replace(LONG_LIVED, slow_life_km=150_000)
    truth = generate(replace(BASE, wear=fast)).truth
    assert truth.pumps["failed_at"].is_not_null().sum() > 20
    low = truth.reserve.filter(pl.col("reserve") < 1.2)
    assert set(low["cause"]) == {"pump_wear"}
    assert low.select((pl.col("reserve") - pl.col("alone")).abs().max()).item() < 1e-9


@pytest.mark.parametrize(
    ("rates", "cause"),
    [
        ({"injectors_per_year": 2.0}, "injector_leak"),
        ({"regulators_per_year": 2.0}, "regulator_or_rail_leak"),
        ({"filters_per_year": 2.0}, "supply_side"),
    ],
)
def test_other_faults_cost_reserve_while_the_pump_alone_is_well(rates, cause):
    truth = generate(replace(BASE, faults=replace(NO_FAULTS, **rates))).truth
    hurt = truth.reserve.filter(pl.col("reserve") < 0.8 * pl.col("alone"))
    assert hurt.height > 20
    assert hurt.filter(pl.col("cause") == cause).height > 0.9 * hurt.height
    assert truth.pumps["failed_at"].null_count() == truth.pumps.height


def test_the_fault_s_figure_moves_with_its_part():
    one_injector = replace(NO_FAULTS, injectors_per_year=2.0, injector_factor=(6.0, 6.0))
    fleet = generate(replace(BASE, faults=one_injector))
    leaking = 0
    for line in fleet.test_record_lines:
        if line.expected == "accepted" and "leak" in line.record:
            ml = sorted(entry["ml"] for entry in line.record["leak"]["cylinders"])
            leaking += ml[-1] > 3.5 * ml[len(ml) // 2]
    assert leaking > 20


def test_contamination_fails_pumps_that_would_have_lived():
    dirty = replace(LONG_LIVED, contaminations_per_year=1.0, contamination_loss=(1.3, 1.6))
    pumps = generate(replace(BASE, wear=dirty)).truth.pumps
    assert set(pumps.filter(pl.col("failed_at").is_not_null())["cause"]) == {"contamination"}
    assert not pumps["gradual"].fill_null(value=False).any()


def test_an_operator_who_always_looks_replaces_worn_pumps_and_clears_sound_ones():
    worn = replace(LONG_LIVED, slow_life_km=150_000)
    looks = OperatorOptions(action_share=1.0, action_ratio=0.9)
    fleet = generate(replace(BASE, wear=worn, operator=looks))
    outcomes = {d["outcome"] for d in fleet.documents["findings"]}
    assert {"worn_confirmed", "no_fault_found"} <= outcomes
    never = generate(replace(BASE, wear=worn, operator=replace(looks, action_share=0.0)))
    failures = [f.truth.pumps["failed_at"].is_not_null().sum() for f in (fleet, never)]
    assert failures[0] < failures[1]
