"""Causes end to end: from records of a fleet to the cause a verdict names."""

from __future__ import annotations

import math
from typing import Any

from fleetdb.trend.pipeline import assess
from tests.fleetdb.trend.pump_readings import CONSTANTS
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import START, Row, connect, day, finding, leak, pump

USUAL_LEAK = leak(60, 400, 9.0, 9.0, 9.0, 9.0)
STARVED, WORN, SOUND = "V00", "V01", "V02"
CLOGS_FROM = 300.0


def held_back(at: float) -> float:
    """Return what a clogging filter takes of ln reserve by day ``at``."""
    return 0.5 * min(max(at - CLOGS_FROM, 0.0) / 120.0, 1.0)


def fleet_rows(**given: Any) -> dict[str, list[Row]]:
    """Sound vehicles, one whose pump wears from the first day on, and one that is starved."""

    def lost(v: int, at: float) -> float:
        return {0: held_back(at), 1: 0.45 * at / 365.25}.get(v, 0.0)

    fleet = Simulated(
        vehicles=14, tests=12, ln_reserve=lambda v, at: math.log(1.6) - lost(v, at), **given
    )
    rows = fleet.rows()
    for row in rows["test_records"]:
        row |= USUAL_LEAK
        if row["vehicle"] == STARVED:
            # What is not pumped does not build pressure: the rate falls as the reserve does.
            at = (row["performed_at"] - START).total_seconds() / 86_400
            row["rate_bar_per_s"] *= math.exp(-(1.0 - CONSTANTS.volumetric_share) * held_back(at))
    return rows


def verdicts_of(rows: dict[str, list[Row]], as_of: float = 560) -> dict[str, Row]:
    with connect(**rows) as connection:
        return {row["vehicle"]: row for row in assess(connection, day(as_of)).verdicts.to_pylist()}


def test_a_build_rate_that_falls_with_the_reserve_is_the_supplys() -> None:
    told = verdicts_of(fleet_rows())

    assert told[STARVED]["leading_cause"] == "supply_side"
    assert "fuel supply most likely" in told[STARVED]["reasons"]
    assert "low-pressure supply before the pump" in told[STARVED]["advice"]
    assert told[WORN]["leading_cause"] == "pump_wear"
    assert told[WORN]["share_supply_side"] < 0.3
    assert told[SOUND]["state"] == "sound"


def test_a_filter_that_brings_the_flow_back_answers_the_call() -> None:
    rows = fleet_rows()
    changed = 460.0
    for row in rows["test_records"]:
        at = (row["performed_at"] - START).total_seconds() / 86_400
        if row["vehicle"] == STARVED and at > changed:
            like = [r for r in rows["test_records"] if r["vehicle"] == SOUND]
            twin = min(like, key=lambda r: abs((r["performed_at"] - row["performed_at"]).days))
            row |= {name: twin[name] for name in ("actual_bar", "rate_bar_per_s", "fuel_temp_c")}
            row["crank_rpm"] = twin["crank_rpm"]
    fitted = {
        "fitment_id": "filter",
        "vehicle": STARVED,
        "part": "fuel_filter",
        "fitted_at": day(changed),
    }

    before = verdicts_of(rows, changed - 1)[STARVED]
    after = verdicts_of({**rows, "fitments": [fitted]})[STARVED]

    assert before["state"] in ("book_in", "stand_down")
    assert after["state"] in ("sound", "watch")
    assert after["probability_worn"] < 0.3 < before["probability_worn"]


def test_a_filter_found_worn_clears_the_pump_until_it_is_proven() -> None:
    rows = fleet_rows()
    for row in rows["test_records"]:
        if row["vehicle"] == STARVED and row["performed_at"] > day(CLOGS_FROM):
            # Nobody timed a build rate: a clogging filter and a worn pump look alike.
            row["rate_bar_per_s"] = None
            if row["performed_at"] > day(420):
                row["actual_bar"] *= 0.8
    fitted = pump(STARVED, 558.0, part="fuel_filter")
    worn = finding(STARVED, 558.0, "worn_confirmed", part="fuel_filter")

    changed = verdicts_of({**rows, "fitments": [fitted]})[STARVED]
    clogged = verdicts_of({**rows, "fitments": [fitted], "findings": [worn]})[STARVED]

    assert clogged["probability_worn"] < changed["probability_worn"] - 0.05
    assert "fuel filter fitted since the last test" in clogged["reasons"]
    assert "test with the new part in" in clogged["advice"]


def test_no_fault_found_in_the_pump_speaks_for_it() -> None:
    rows = fleet_rows()
    opened = [finding(WORN, at, "no_fault_found") for at in (559.0,)]

    before, after = verdicts_of(rows)[WORN], verdicts_of({**rows, "findings": opened})[WORN]

    assert after["probability_worn"] < before["probability_worn"]
    assert "no fault was found in the pump since the last test" in after["reasons"]
    # Nine tests that fall say more than one look.
    assert after["state"] != "sound"


def test_what_a_kit_nobody_knows_reads_low_is_partly_the_kits() -> None:
    def share(kit_of_last: str) -> float:
        rows = fleet_rows(kits=3, ln_kit=lambda k, at: 0.0)
        last = max(
            (row for row in rows["test_records"] if row["vehicle"] == WORN),
            key=lambda row: row["performed_at"],
        )
        last["kit"] = kit_of_last
        return verdicts_of(rows)[WORN]["share_kit_reading"]

    assert share("never seen") > 2 * share("K0")
