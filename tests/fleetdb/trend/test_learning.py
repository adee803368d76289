from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fleetdb.trend import learning
from fleetdb.trend.constants import PRIORS, FamilyConstants, log_prior
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.learning import Learnt, Sample, learn, sample_of, starting_constants
from fleetdb.trend.series import Series, keep_readings, keep_usual_conditions, load_series
from tests.fleetdb.trend.pump_readings import CONSTANTS
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import connect, day, record, vehicle

LIMIT = 0.8


def series_of(**rows) -> Series:
    with connect(**rows) as connection:
        keep_readings(connection, day(3000))
        keep_usual_conditions(connection)
        [series], _ = load_series(connection)
    return series


def evidence(sample: Sample, constants: FamilyConstants) -> float:
    readings, start_y = sample.readings, sample.start_y
    _, pumps = run_filter(
        readings, sample.windows, sample.offsets, start_y, start_y, constants, LIMIT
    )
    return log_prior(constants) + float(pumps.log_evidence.sum())


def test_a_sample_takes_pumps_with_tests_enough_and_all_their_tests() -> None:
    tests = {"V1": 2, "V2": 5, "V3": 0, "V4": 3}
    series = series_of(
        vehicles=[vehicle(name) for name in tests],
        test_records=[record(v, 10 * t, 0.9) for v, n in tests.items() for t in range(n)],
    )

    sample = sample_of(series)

    assert sample.offsets.tolist() == [0, 5, 8]
    names = np.array(series.pumps["vehicle"].to_pylist())
    of_v2_and_v4 = np.isin(np.repeat(names, np.diff(series.offsets)), ["V2", "V4"])
    np.testing.assert_allclose(
        sample.readings.at_y, series.readings.at_y[of_v2_and_v4], rtol=0, atol=1e-9
    )


def test_sums_that_differ_in_their_last_digits_make_the_same_sample() -> None:
    series = series_of(**Simulated(vehicles=6, tests=5).rows())
    kit = np.full(len(series.kit), 0.02)
    one, other = (
        sample_of(replace(series, readings=series.readings._replace(ln_kit=kit * share)))
        for share in (1.0, 1.0 + 1e-14)
    )

    assert not np.array_equal(kit, kit * (1.0 + 1e-14))
    for mine, its in zip(one.readings, other.readings, strict=True):
        np.testing.assert_array_equal(mine, its)


def test_a_sample_is_bounded_and_spread_over_the_family(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learning, "_MOST_RECORDS", 300)
    names = [f"V{n:03}" for n in range(400)]
    series = series_of(
        vehicles=[vehicle(name) for name in names],
        test_records=[
            record(name, t, 0.5 + n / 1000) for n, name in enumerate(names) for t in range(3)
        ],
    )

    sample = sample_of(series)

    assert len(sample.offsets) - 1 == 100
    assert len(sample.readings.at_y) == 300
    ratios = np.exp(sample.readings.ln_ratio)
    assert ratios.min() < 0.51
    assert ratios.max() > 0.89


def test_a_family_without_tests_has_an_empty_sample_and_its_prior() -> None:
    series = series_of()
    sample, start = sample_of(series), starting_constants(series)

    assert sample.offsets.tolist() == [0]
    assert learn(sample, start, LIMIT) == Learnt(start, {})
    assert math.isfinite(start.ln_build_new)


def test_the_build_rate_starts_at_the_familys_median() -> None:
    rates = [100.0, 200.0, 900.0]
    series = series_of(
        test_records=[record("V1", n, rate_bar_per_s=rate) for n, rate in enumerate(rates)]
    )

    assert starting_constants(series).ln_build_new == pytest.approx(math.log(200))


def test_few_records_leave_the_prior() -> None:
    series = series_of(**Simulated(vehicles=4, tests=5).rows())
    start = starting_constants(series)

    assert learn(sample_of(series), start, LIMIT) == Learnt(start, {})


def test_the_scatter_of_a_family_is_learnt_within_its_limits() -> None:
    quiet = Simulated(vehicles=30, tests=12, sd_ratio=0.010, sd_build=0.03)
    noisy = replace(quiet, sd_ratio=0.05, sd_build=0.12)

    learnt = {}
    for fleet in (quiet, noisy):
        series = series_of(**fleet.rows())
        learnt[fleet] = learn(sample_of(series), starting_constants(series), LIMIT).constants
        for name, prior in PRIORS.items():
            assert prior.low <= getattr(learnt[fleet], name) <= prior.high, name

    for fleet, constants in learnt.items():
        # Part of the scatter may be put down to something else.
        assert constants.sd_ratio == pytest.approx(fleet.sd_ratio, rel=0.5)
        assert constants.sd_build == pytest.approx(fleet.sd_build, rel=0.5)


@pytest.mark.parametrize(("winter_fuel", "stiffness_power"), [(0.0, 0.2), (0.12, 0.0)])
def test_thin_winter_fuel_and_stiff_cold_fuel_are_learnt(
    winter_fuel: float, stiffness_power: float
) -> None:
    fleet = Simulated(
        vehicles=40,
        tests=24,
        every_days=30.0,
        sd_ratio=0.015,
        winter_fuel=winter_fuel,
        stiffness_power=stiffness_power,
        # Little in hand: most tests are below the cap and feel the fuel.
        ln_reserve=lambda v, day: 0.02 * (v % 8) - 0.02,
    )
    series = series_of(**fleet.rows())

    learnt = learn(sample_of(series), starting_constants(series), LIMIT).constants

    assert learnt.winter_fuel == pytest.approx(winter_fuel, abs=0.03)
    assert learnt.stiffness_power == pytest.approx(stiffness_power, abs=0.06)


@pytest.mark.parametrize("sharpness", [5.0, 25.0])
def test_the_search_ends_as_high_wherever_it_begins(sharpness: float) -> None:
    # A capped ratio moves with reserve, softness and the power of viscosity alike.
    true = CONSTANTS._replace(cap_sharpness=sharpness)
    fleet = Simulated(
        vehicles=60,
        tests=20,
        sd_ratio=0.015,
        constants=true,
        ln_reserve=lambda v, day: math.log(1.7) + 0.12 * math.sin(v) - 0.06 * (v % 5) * day / 365,
    )
    rows = fleet.rows()
    for test in rows["test_records"]:
        test["rate_bar_per_s"] = None
    series = series_of(**rows)

    sample, start = sample_of(series), starting_constants(series)

    # Some thirty constants, most known to half a unit of log evidence.
    one = learn(sample, start, LIMIT).constants
    other = learn(sample, true._replace(ln_build_new=start.ln_build_new), LIMIT).constants

    assert evidence(sample, one) == pytest.approx(evidence(sample, other), abs=10.0)
    assert evidence(sample, one) > evidence(sample, true) - 10.0


def test_learning_again_from_the_same_records_gives_the_same() -> None:
    series = series_of(**Simulated(vehicles=12, tests=8).rows())
    start = starting_constants(series)

    one, other = (learn(sample_of(series), start, LIMIT) for _ in range(2))

    assert one == other
    assert one.constants != start


def test_a_thinned_sample_has_every_so_manieth_pump_with_all_its_tests() -> None:
    series = series_of(**Simulated(vehicles=10, tests=4).rows())
    sample = sample_of(series)

    some = sample.one_in(4)

    assert some.offsets.tolist() == [0, 4, 8, 12]
    np.testing.assert_array_equal(
        some.readings.at_y, sample.readings.at_y[[*range(4), *range(16, 20), *range(32, 36)]]
    )
    np.testing.assert_array_equal(some.start_y, sample.start_y[[0, 4, 8]])
