from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from fleetdb.trend import kits as kits_module
from fleetdb.trend.kit_table import NAMED_AT
from fleetdb.trend.kits import (
    LN_BIAS,
    KitBias,
    KitHabits,
    _likelihood,
    apply_kit_bias,
    no_kit_bias,
    shared_error,
    smooth_kit_bias,
)
from fleetdb.trend.pipeline import assess
from fleetdb.trend.series import keep_readings, keep_usual_conditions, load_series
from tests.fleetdb.trend.pump_readings import CONSTANTS
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import connect, day, record

HABITS = KitHabits()
SD = 0.03
DAY = 1 / 365.25


def departures(n_kits: int, years: float, bias, per_week: float = 2, seed: int = 4):
    """Return kit, time, departure and variance of tests; ``bias(kit, at_y)`` is the truth."""
    rng = np.random.default_rng(seed)
    n = int(n_kits * years * 52 * per_week)
    kit, at_y = rng.integers(0, n_kits, n), np.sort(rng.uniform(0, years, n))
    true = np.array([bias(k, t) for k, t in zip(kit, at_y, strict=True)])
    return kit, at_y, true + SD * rng.normal(size=n), np.full(n, SD**2)


def last_of(bias: KitBias, kit: int) -> int:
    return int(np.flatnonzero(bias.kit == kit)[-1])


def test_a_step_of_6_percent_is_named_within_60_days() -> None:
    named = []
    for seed in range(5):
        for step in (0.06, -0.06):
            told = departures(
                6,
                1 + 60 * DAY,
                lambda k, t, step=step: step if k == 2 and t > 1 else 0.0,
                per_week=1.5,
                seed=seed,
            )
            bias = smooth_kit_bias(*told, {}, HABITS)
            last = last_of(bias, 2)
            named.append(bias.p_off[last] >= NAMED_AT)
            assert bias.ln_bias[last] == pytest.approx(step, abs=0.03)
            before = (bias.kit == 2) & (bias.at_y < 0.9)
            assert np.max(np.abs(bias.ln_bias[before])) < 0.02
            assert all(bias.p_off[last_of(bias, k)] < NAMED_AT for k in (0, 1, 3, 4, 5))
    # 13 tests after the step, each scattering by half of it: one in ten takes longer.
    assert sum(named) >= 9


def test_kits_that_read_true_are_hardly_corrected_and_never_named() -> None:
    bias = smooth_kit_bias(*departures(20, 3, lambda k, t: 0.0, seed=8), {}, HABITS)

    assert np.mean(np.abs(bias.ln_bias)) < 0.005
    assert np.max(bias.p_off) < NAMED_AT


def test_a_few_tests_with_a_new_kit_are_shrunk_towards_no_bias() -> None:
    def after(n: int) -> float:
        some = np.zeros(n, np.int64), np.arange(n) / 100, np.full(n, 0.05), np.full(n, SD**2)
        return float(smooth_kit_bias(*some, {}, HABITS).ln_bias[-1])

    assert 0 < after(1) < 0.025
    assert after(1) < after(4) < after(40) < 0.055
    assert after(40) > 0.045


def test_a_calibration_starts_a_new_level() -> None:
    told = departures(1, 2, lambda k, t: -0.06 if t < 1 else 0.0)

    with_it = smooth_kit_bias(*told, {0: np.array([1.0])}, HABITS)

    first_after = int(np.searchsorted(with_it.at_y, 1.0))
    assert with_it.ln_bias[first_after - 1] == pytest.approx(-0.06, abs=0.01)
    assert with_it.ln_bias[first_after] == pytest.approx(0.0, abs=0.015)


def test_without_tests_after_a_calibration_nothing_is_known_of_the_new_level() -> None:
    at_y = np.array([0.9, 0.95, 1.05])
    drifted = np.zeros(3, np.int64), at_y, np.array([-0.06, -0.06, -0.06]), np.full(3, SD**2)

    plain = smooth_kit_bias(*drifted, {}, HABITS)
    reset = smooth_kit_bias(*drifted, {0: np.array([1.0])}, HABITS)

    assert abs(reset.ln_bias[2]) < abs(plain.ln_bias[2])


def test_a_calibration_of_a_kit_without_tests_or_after_them_changes_no_test() -> None:
    told = departures(2, 1, lambda k, t: 0.04 * k)

    plain = smooth_kit_bias(*told, {}, HABITS)
    more = smooth_kit_bias(*told, {7: np.array([0.5]), 0: np.array([3.0])}, HABITS)

    at_tests = (more.kit < 7) & (more.at_y < 3.0)
    np.testing.assert_allclose(plain.ln_bias, more.ln_bias[at_tests], atol=1e-12)


def test_after_a_calibration_a_kit_is_most_likely_true_until_tests_say_otherwise() -> None:
    told = departures(1, 1, lambda k, t: -0.06)

    after = smooth_kit_bias(*told, {0: np.array([1.01])}, HABITS)

    assert after.at_y[-1] == 1.01
    assert after.p_off[-2] > NAMED_AT
    assert after.p_off[-1] < 0.1
    assert abs(after.ln_bias[-1]) < 1e-9
    # The spread of all kits is wider than that of freshly calibrated ones, and of known ones.
    assert after.var_ln_bias[-2] < after.var_ln_bias[-1] < 0.02**2


def test_what_true_kits_seem_to_add_together_is_told_apart_from_one_that_is_off() -> None:
    """Expectations 1 % too low make every kit seem high; one of them is off by 6 % besides."""
    told = departures(8, 2, lambda k, t: 0.01 + (0.06 if k == 5 else 0.0))

    assert shared_error(smooth_kit_bias(*told, {}, HABITS), HABITS) == pytest.approx(0.01, abs=3e-3)


def test_without_tests_or_true_kits_no_shared_error_is_claimed() -> None:
    all_off = departures(3, 1, lambda k, t: 0.09)

    assert shared_error(no_kit_bias(), HABITS) == 0
    assert abs(shared_error(smooth_kit_bias(*all_off, {}, HABITS), HABITS)) < 0.001


@pytest.mark.parametrize("departure", [0.0, 0.0123, -0.0377, 0.149, 0.16, -0.9])
@pytest.mark.parametrize("sd", [0.001, 0.02, 0.3, 1000.0])
def test_the_likelihood_is_the_normal_density_plus_strays(departure: float, sd: float) -> None:
    got = np.empty(len(LN_BIAS))
    _likelihood(departure, sd**2, 0.03, got)

    expected = 0.97 * norm.pdf(departure, LN_BIAS, sd) + 0.03  # scipy.stats.norm
    np.testing.assert_allclose(got, expected, rtol=1e-9)


def test_off_means_the_same_high_and_low() -> None:
    both = [
        smooth_kit_bias(
            np.zeros(30, np.int64),
            np.arange(30) / 100,
            np.full(30, sign * 0.025),
            np.full(30, SD**2),
            {},
            HABITS,
        ).p_off[-1]
        for sign in (1, -1)
    ]

    assert both[0] == pytest.approx(both[1])
    assert 0.05 < both[0] < 0.6


def test_the_order_of_the_tests_does_not_matter() -> None:
    kit, at_y, departure, variance = departures(3, 1, lambda k, t: 0.03 * k)
    order = np.random.default_rng(1).permutation(len(kit))

    one = smooth_kit_bias(kit, at_y, departure, variance, {1: np.array([0.5])}, HABITS)
    other = smooth_kit_bias(
        kit[order], at_y[order], departure[order], variance[order], {1: np.array([0.5])}, HABITS
    )

    for a, b in zip(vars(one).values(), vars(other).values(), strict=True):
        np.testing.assert_array_equal(a, b)


def test_one_wild_test_does_not_move_a_kit() -> None:
    kit, at_y, departure, variance = departures(1, 1, lambda k, t: 0.0)
    departure[60] = -0.8

    bias = smooth_kit_bias(kit, at_y, departure, variance, {}, HABITS)

    assert np.max(np.abs(bias.ln_bias)) < 0.02


def test_no_tests_give_no_bias() -> None:
    none = np.empty(0)

    bias = smooth_kit_bias(np.empty(0, np.int64), none, none, none, {}, HABITS)

    assert len(bias.kit) == len(no_kit_bias().kit) == 0


def series_with(*kits: str | None):
    records = [record("V1", n, 0.9, kit=kit) for n, kit in enumerate(kits)]
    with connect(test_records=records) as connection:
        keep_readings(connection, day(400))
        keep_usual_conditions(connection)
        [series], names = load_series(connection)
    return series, names


def test_a_kit_never_seen_before_has_a_spread_but_no_bias() -> None:
    series, names = series_with("K1", "K2", None)
    known = KitBias(
        kit=np.full(2, names.index("K1")),
        at_y=np.full(2, series.readings.at_y[0]),
        ln_bias=np.array([0.01, 0.05]),
        var_ln_bias=np.full(2, 1e-6),
        p_off=np.zeros(2),
    )

    got = apply_kit_bias(series, known).readings

    assert got.ln_kit.tolist() == [0.05, 0.0, 0.0]
    assert got.var_ln_kit[0] == 1e-6
    assert 0.01 < math.sqrt(got.var_ln_kit[1]) < 0.08
    assert got.var_ln_kit[1] == got.var_ln_kit[2]


def test_a_test_takes_the_bias_at_or_before_its_time_and_the_first_before_any() -> None:
    series, _ = series_with("K1", "K1", "K1", "K1")
    at = series.readings.at_y
    known = KitBias(
        kit=np.zeros(2, np.int64),
        at_y=at[1:3],
        ln_bias=np.array([0.01, 0.05]),
        var_ln_bias=np.full(2, 1e-6),
        p_off=np.zeros(2),
    )

    assert apply_kit_bias(series, known).readings.ln_kit.tolist() == [0.01, 0.01, 0.05, 0.05]


FLEET = Simulated(vehicles=36, tests=14, kits=6)


def states_and_kits(fleet: Simulated):
    with connect(**fleet.rows()) as connection:
        assessment = assess(connection, day(14 * fleet.every_days))
    kits = {row["kit"]: row for row in assessment.tables["kits"].to_pylist()}
    return assessment.verdicts.to_pylist(), kits


def test_a_kit_that_steps_books_no_vehicle_in() -> None:
    stepped = replace(FLEET, ln_kit=lambda k, d: -0.12 if k == 2 and d > 450 else 0.0)

    verdicts, kits = states_and_kits(stepped)

    assert kits["K2"]["reads_off"]
    assert kits["K2"]["bias_pct"] == pytest.approx(-11.3, abs=3)
    assert day(400) < kits["K2"]["off_since"] < day(520)
    assert [k for k, row in kits.items() if row["reads_off"]] == ["K2"]
    touched = [row for row in verdicts if row["last_raw_proof_ratio"] < 0.87]
    assert len(touched) >= 3
    assert not [row for row in verdicts if row["state"] in ("book_in", "stand_down")]


def test_wear_of_all_vehicles_of_one_kit_is_not_taken_for_its_bias() -> None:
    """Kit 1 is one workshop's, whose six vehicles all wear; the others' do not."""
    worn = replace(
        FLEET,
        kit_of=lambda v, t: v % 6,
        ln_reserve=lambda v, d: math.log(1.6) - (0.45 * max(d - 120, 0) / 365.25) * (v % 6 == 1),
    )

    verdicts, kits = states_and_kits(worn)

    states = {row["vehicle"]: row["state"] for row in verdicts}
    of_kit = [states[f"V{v:02}"] for v in range(36) if v % 6 == 1]
    assert abs(kits["K1"]["bias_pct"]) < 4
    assert sum(state in ("book_in", "stand_down") for state in of_kit) >= 5
    assert not [s for v, s in states.items() if int(v[1:]) % 6 != 1 and s == "stand_down"]


def test_a_young_fleet_that_holds_more_than_expected_has_no_kit_to_blame() -> None:
    """With two tests a pump nothing is learnt yet, and every kit is above the prior's cap."""
    higher = CONSTANTS._replace(ln_cap=CONSTANTS.ln_cap + 0.06)
    young = replace(FLEET, vehicles=72, tests=2, constants=higher)
    one_off = replace(young, ln_kit=lambda k, d: -0.09 * (k == 3))

    _, all_alike = states_and_kits(young)
    _, but_one = states_and_kits(one_off)

    assert not [kit for kit, row in all_alike.items() if row["reads_off"]]
    assert [kit for kit, row in but_one.items() if row["reads_off"]] == ["K3"]


@pytest.mark.parametrize("kits", [1, 2])
def test_a_young_fleet_of_one_or_two_kits_blames_none(kits: int) -> None:
    higher = CONSTANTS._replace(ln_cap=CONSTANTS.ln_cap + 0.06)
    young = replace(FLEET, vehicles=48, tests=2, kits=kits, constants=higher)

    assert not [kit for kit, row in states_and_kits(young)[1].items() if row["reads_off"]]


def test_of_two_kits_the_one_that_steps_is_named() -> None:
    stepped = replace(FLEET, kits=2, ln_kit=lambda k, d: -0.08 if k == 1 and d > 300 else 0.0)

    named = [kit for kit, row in states_and_kits(stepped)[1].items() if row["reads_off"]]
    assert named == ["K1"]


def test_kits_with_tests_in_plenty_are_judged_by_some_vehicles_and_corrected_on_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(kits_module, "_TESTS_PER_KIT_AND_Y", 40)
    fleet = Simulated(vehicles=60, tests=12, kits=3, ln_kit=lambda k, day: -0.06 * (k == 1))

    with connect(**fleet.rows()) as connection:
        assessment = assess(connection, day(600))
        bias = assessment.tables["kit_bias"]

    kits = assessment.tables["kits"].to_pylist()
    assert len(bias) < 60 * 12 / 2
    assert sum(kit["n_tests"] for kit in kits) == 60 * 12
    assert [kit["reads_off"] for kit in kits] == [False, True, False]
    assert kits[1]["bias_pct"] == pytest.approx(-5.8, abs=2.0)
