from __future__ import annotations

import math

import numpy as np
import pytest

from fleetdb.trend.assessment import Assessment, FleetContext
from fleetdb.trend.known import known_at
from fleetdb.trend.learning import learn, sample_of, starting_constants
from fleetdb.trend.pipeline import assess, assess_vehicle
from fleetdb.trend.series import Series
from fleetdb.trend.timing_habits import habits_from_table, habits_table, with_habits
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import Row, connect, day

LIMIT = 0.8
FLEET = Simulated(vehicles=36, tests=14, ln_reserve=lambda v, at: math.log(1.5))
# Shares by which the watch of each workshop makes rates too high; every vehicle has its own.
WATCHES = {"Eastyard": 0.06, "Northyard": -0.06, "Westyard": 0.0}


def rows(watches: dict[str, float]) -> dict[str, list[Row]]:
    tests: list[Row] = []
    all_rows = FLEET.rows()
    for row in all_rows["test_records"]:
        workshop = list(watches)[int(row["vehicle"][1:]) % len(watches)]
        rate = row["rate_bar_per_s"] * math.exp(watches[workshop])
        tests.append({**row, "workshop": workshop, "rate_bar_per_s": rate})
    return {**all_rows, "test_records": tests}


def series_of(watches: dict[str, float]) -> Series:
    with connect(**rows(watches)) as connection:
        [series] = known_at(connection, day(3000)).families
    return series


def assessed(watches: dict[str, float]) -> Assessment:
    with connect(**rows(watches)) as connection:
        return assess(connection, day(640))


@pytest.fixture(scope="module")
def off() -> Assessment:
    return assessed(WATCHES)


def reserve_of(assessment: Assessment) -> dict[str, float]:
    table = assessment.verdicts
    return dict(
        zip(table["vehicle"].to_pylist(), table["delivery_reserve"].to_pylist(), strict=True)
    )


def test_how_a_workshop_times_is_learnt() -> None:
    series = series_of(WATCHES)

    learnt = learn(sample_of(series), starting_constants(series), LIMIT)

    found = {series.workshops[number]: level for number, level in learnt.habits.items()}
    assert set(found) == set(WATCHES)
    # What they have in common cannot be told from the pumps' own rates.
    middle = np.mean(list(found.values()))
    for workshop, watch in WATCHES.items():
        assert found[workshop] - middle == pytest.approx(watch, abs=0.025)


def test_a_workshop_with_few_rates_has_no_habit() -> None:
    hardly = rows(WATCHES)
    left = 10
    for row in hardly["test_records"]:
        if row["workshop"] == "Eastyard":
            left -= 1
            row["rate_bar_per_s"] = row["rate_bar_per_s"] if left >= 0 else None
    with connect(**hardly) as connection:
        [series] = known_at(connection, day(3000)).families

    learnt = learn(sample_of(series), starting_constants(series), LIMIT)

    assert {series.workshops[number] for number in learnt.habits} == {"Northyard", "Westyard"}


def test_pumps_are_judged_as_if_all_watches_were_right(off: Assessment) -> None:
    right = reserve_of(assessed(dict.fromkeys(WATCHES, 0.0)))
    judged = reserve_of(off)

    for n in range(len(WATCHES)):
        own = [f"V{v:02}" for v in range(n, FLEET.vehicles, len(WATCHES))]
        ln_off = np.log([judged[name] / right[name] for name in own])
        # A watch 6 % off would move a pump's reserve by a fifth or more.
        assert abs(ln_off.mean()) < 0.07


def test_a_vehicles_verdict_takes_habits_from_its_fleet(off: Assessment) -> None:
    context = FleetContext.of(off.tables)
    name = "V01"
    tests = [row for row in rows(WATCHES)["test_records"] if row["vehicle"] == name]
    vehicles = [row for row in FLEET.rows()["vehicles"] if row["vehicle"] == name]

    with connect(vehicles=vehicles, test_records=tests) as connection:
        [alone] = assess_vehicle(connection, day(640), context).to_pylist()

    assert set(context.habits["fam"]) == set(WATCHES)
    assert alone["delivery_reserve"] == pytest.approx(reserve_of(off)[name], rel=1e-9)


def test_habits_come_back_from_a_published_table() -> None:
    habits = {"one": {"A": 0.01, "B": -0.02}, "two": {"A": 0.03}}

    assert habits_from_table(habits_table(habits)) == habits
    assert habits_from_table(habits_table({})) == {}


def test_a_workshop_that_is_not_named_has_no_habit() -> None:
    series = series_of(WATCHES)

    heard = with_habits(series, {"Eastyard": 0.05, "unknown": 0.2})

    of_each = dict(zip(heard.windows.workshop.tolist(), heard.windows.ln_habit, strict=True))
    expected = {heard.workshops.index("Eastyard"): 0.05, -1: 0.0}
    assert of_each == {n: expected.get(n, 0.0) for n in of_each}
    assert expected.keys() <= of_each.keys()
