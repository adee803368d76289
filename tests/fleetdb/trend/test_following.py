"""Pumps followed: which are the present ones, and what is handed on of those that were removed."""

from __future__ import annotations

import duckdb
import numpy as np
import pytest

from fleetdb.trend.beliefs import Repair
from fleetdb.trend.following import Followed, follow
from fleetdb.trend.known import known_at
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.series import years
from fleetdb.trend.states import Policy
from tests.fleetdb.trend.small_tables import FAMILY, connect, day, finding, pump, record, vehicle

NOW = 400.0
VEHICLES = [vehicle("V1"), vehicle("V2"), vehicle("V3", pump_family="other")]
TESTS = [
    *(record("V1", at, ratio) for at, ratio in ((20, 0.9), (60, 0.7), (150, 0.94), (200, 0.95))),
    *(record("V2", at, 0.94) for at in (30, 90, 170)),
    record("V3", 40, 0.93),
]
PARTS = [
    pump("V1", 100, "second"),
    {"fitment_id": "f", "vehicle": "V2", "part": "regulator", "fitted_at": day(300)},
]
FAILED = [finding("V1", 95, "failed_on_road")]


@pytest.fixture(scope="module")
def connection() -> duckdb.DuckDBPyConnection:
    return connect(
        pump_families=[FAMILY, {**FAMILY, "pump_family": "other"}],
        vehicles=VEHICLES,
        test_records=TESTS,
        fitments=PARTS,
        findings=FAILED,
    )


@pytest.fixture(scope="module")
def followed(connection: duckdb.DuckDBPyConnection) -> dict[str, Followed]:
    known = known_at(connection, day(NOW))
    constants = {s.pump_family: starting_constants(s) for s in known.families}
    now_y = float(years(np.array([day(NOW)], dtype="datetime64[us]"))[0])
    found = follow(connection, known.families, constants, known, now_y, Policy())
    return {each.series.pump_family: each for each in found}


def test_every_pump_of_a_family_is_followed_and_every_record_believed(
    followed: dict[str, Followed],
) -> None:
    own = followed["fam"]

    assert own.series.pumps["pump_serial"].to_pylist() == [None, "second", None]
    assert np.diff(own.series.offsets).tolist() == [2, 2, 3]
    assert own.records.p_worn.shape == (7,)
    assert np.isfinite(own.pumps.p_worn).all()
    assert np.diff(followed["other"].series.offsets).tolist() == [1]


def test_the_present_pumps_keep_their_own_records_and_beliefs(
    followed: dict[str, Followed],
) -> None:
    own = followed["fam"]
    present = own.present()

    assert present.series.pumps["pump_serial"].to_pylist() == ["second", None]
    np.testing.assert_array_equal(present.records.ln_reserve, own.records.ln_reserve[2:])
    np.testing.assert_array_equal(present.pumps.p_worn, own.pumps.p_worn[1:])
    np.testing.assert_array_equal(present.series.readings.at_y, own.series.readings.at_y[2:])
    # The pump that was worn is gone; what is left is not.
    assert own.pumps.p_worn[0] > 0.9 > own.pumps.p_worn[1]


def test_pumps_that_are_all_fitted_still_are_handed_on_as_they_are(
    followed: dict[str, Followed],
) -> None:
    assert followed["other"].present() is followed["other"]


def test_a_part_fitted_after_the_last_test_is_told(followed: dict[str, Followed]) -> None:
    present = followed["fam"].present()

    assert present.repaired_since.tolist() == [0, Repair.REGULATOR]


def test_the_line_is_found_from_every_pump_until_its_end(followed: dict[str, Followed]) -> None:
    own = followed["fam"]
    walked = own.walked()

    assert walked.end_y[0] == pytest.approx(own.series.start_y[1])
    assert np.isinf(walked.end_y[1:]).all()
    assert walked.failed_y[0] < walked.end_y[0]
    assert np.isnan(walked.failed_y[1:]).all()
    np.testing.assert_array_equal(walked.p_worn, own.records.p_worn)


def test_a_pump_is_followed_to_the_moment_asked_for(
    connection: duckdb.DuckDBPyConnection, followed: dict[str, Followed]
) -> None:
    """Without a test, time alone makes wear likelier."""
    known = known_at(connection, day(NOW))
    constants = {s.pump_family: starting_constants(s) for s in known.families}
    own = followed["fam"].present()
    later_y = own.series.readings.at_y[-1] + 3.0
    later = follow(connection, known.families, constants, known, float(later_y), Policy())

    [years_on] = [each.present() for each in later if each.series.pump_family == "fam"]
    assert (years_on.pumps.p_worn > own.pumps.p_worn).all()
