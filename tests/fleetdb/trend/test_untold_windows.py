from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import numpy as np
import pytest

from fleetdb.fluid import REFERENCE_DIESEL
from fleetdb.rail import mean_build_share
from fleetdb.trend.assessment import FleetContext
from fleetdb.trend.kits import KitHabits
from fleetdb.trend.known import known_at
from fleetdb.trend.pipeline import assess
from fleetdb.trend.series import Series
from fleetdb.trend.teaching import Teacher
from fleetdb.trend.untold_windows import Untold, guess_windows, with_told_windows
from tests.fleetdb.trend.pump_readings import CONSTANTS, FROM_SHARE, TO_SHARE
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import Row, connect, day

LIMIT = 0.8
LN_RESERVE = math.log(1.5)
FLEET = Simulated(vehicles=40, tests=14, ln_reserve=lambda v, at: LN_RESERVE)
# All pumps of the fleet are alike when new.
ALIKE = CONSTANTS._replace(sd_ln_build_new=0.02)
Window = tuple[float, float]


def timed_over(row: Row, window: Window) -> float:
    """Return the record's build rate, had it been timed over another window."""
    ln_reach = LN_RESERVE + math.log(row["crank_rpm"] / 200.0)
    ln_reach += float(REFERENCE_DIESEL.ln_viscosity_ratio(row["fuel_temp_c"], 40.0))

    def over(low: float, high: float) -> float:
        stiff = 1.0 + CONSTANTS.stiffening * (low + high) / 2.0
        return float(mean_build_share(math.exp(ln_reach), low, high)) * stiff

    return row["rate_bar_per_s"] * over(*window) / over(FROM_SHARE, TO_SHARE)


def rows(window: Window, n_untold: int = 20) -> dict[str, list[Row]]:
    """Return tests of a fleet; those of the last vehicles are over a window that is not said."""
    all_rows = FLEET.rows()
    tests: list[Row] = []
    for row in all_rows["test_records"]:
        if int(row["vehicle"][1:]) < FLEET.vehicles - n_untold:
            tests.append({**row, "workshop": "Eastyard"})
        else:
            untold = {"workshop": "Westyard", "from_bar": None, "to_bar": None}
            tests.append({**row, **untold, "rate_bar_per_s": timed_over(row, window)})
    return {**all_rows, "test_records": tests}


@contextmanager
def known(window: Window, n_untold: int = 20) -> Iterator[tuple[Series, Untold]]:
    with connect(**rows(window, n_untold)) as connection:
        [series] = known_at(connection, day(3000)).families
        yield series, Untold.among(connection)


@pytest.mark.parametrize("window", [(0.05, 0.45), (0.2, 0.5), (0.1, 0.7), (0.3, 0.9)])
def test_the_window_of_a_workshop_that_never_says_is_guessed(window: Window) -> None:
    with known(window) as (series, untold):
        guess = guess_windows(series, untold.workshop_of(series), untold.workshops, ALIKE, LIMIT)

    [row] = guess.to_pylist()
    assert (row["pump_family"], row["workshop"]) == ("fam", "Westyard")
    assert (row["from_share"] + row["to_share"]) / 2 == pytest.approx(sum(window) / 2, abs=0.06)


def test_constants_are_learnt_from_known_windows_where_there_are_enough() -> None:
    with known((0.05, 0.45)) as (series, untold):
        workshop = untold.workshop_of(series)
        told = with_told_windows(series, workshop)
    with known((0.05, 0.45), n_untold=FLEET.vehicles - 2) as (hardly, untold):
        all_of_them = with_told_windows(hardly, untold.workshop_of(hardly))

    assert np.count_nonzero(workshop == 0) == 20 * FLEET.tests
    np.testing.assert_array_equal(np.isnan(told.readings.ln_build), workshop == 0)
    np.testing.assert_array_equal(told.readings.ln_ratio, series.readings.ln_ratio)
    assert not np.isnan(all_of_them.readings.ln_build).any()


@pytest.mark.parametrize("n_untold", [0, 1, FLEET.vehicles])
def test_nothing_is_guessed_without_builds_or_anything_to_hold_them_against(n_untold: int) -> None:
    with known((0.05, 0.45), n_untold) as (series, untold):
        guess = guess_windows(series, untold.workshop_of(series), untold.workshops, ALIKE, LIMIT)

    assert guess.num_rows == 0


def reserve_of(connection: duckdb.DuckDBPyConnection, as_of: float) -> dict[str, float]:
    table = assess(connection, day(as_of), None, Teacher()).verdicts
    return dict(
        zip(table["vehicle"].to_pylist(), table["delivery_reserve"].to_pylist(), strict=True)
    )


def test_pumps_of_a_workshop_that_never_says_are_judged_as_any_other() -> None:
    with connect(**rows((0.05, 0.45))) as connection:
        reserve = reserve_of(connection, 640)
    told = [
        {**row, "workshop": own["workshop"]}
        for row, own in zip(
            FLEET.rows()["test_records"], rows((0.05, 0.45))["test_records"], strict=True
        )
    ]
    with connect(**{**FLEET.rows(), "test_records": told}) as connection:
        all_told = reserve_of(connection, 640)

    names = [f"V{v:02}" for v in range(FLEET.vehicles)]
    off = np.log([reserve[name] / all_told[name] for name in names])
    assert abs(off[:20].mean() - off[20:].mean()) < 0.05
    # Half the rates teach less of what a new pump has, so all of them move a little.
    assert abs(off.mean()) < 0.12


def test_a_vehicles_verdict_takes_the_guess_from_its_fleet() -> None:
    with connect(**rows((0.05, 0.45))) as connection:
        published = assess(connection, day(640), None, Teacher()).tables
        [guess] = Teacher().taught(connection, day(640), KitHabits()).windows.to_pylist()

    usual = FleetContext.of(published).usual_window.to_pylist()
    [own] = [row for row in usual if row["workshop"] == "Westyard"]
    assert own["usual_from_share"] == guess["from_share"]
    assert own["usual_to_share"] == guess["to_share"]
