"""The reserve filter against the same model integrated by brute force, and at its limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fleetdb.trend.beliefs import Floats, Readings, Repair
from fleetdb.trend.build_windows import LN_REACH, number_windows
from fleetdb.trend.filtering import Levels, look_ahead
from fleetdb.trend.reserve_filter import (
    FOUND_CLOGGED,
    FOUND_SOUND,
    LEAKS_REPAIRED,
    LN_RESERVE,
    N_ROWS,
    SUPPLY_REPAIRED,
    WEAR_PER_Y,
    _change_pace,
    _new_scratch,
)
from tests.fleetdb.trend.pump_readings import (
    CONSTANTS,
    LEVELS,
    LN_BUILD_NEW,
    WINDOWS,
    build_of,
    ratio_of,
    readings,
    run,
)

# No surprises: what is left can be integrated over reserve and pace alone.
PLAIN = CONSTANTS._replace(
    sd_ln_cap=1e-4,
    sd_reach=1e-6,
    **{name: 1e-9 for name in CONSTANTS._fields if name.startswith("p_")},
    **{name: 0.0 for name in CONSTANTS._fields if name.endswith(("_per_y", "_per_sqrt_y"))},
)
PACES_OF_NEW_PUMPS = np.array([0.42, 0.30, 0.15, 0.08, 0.04, 0.01])


def brute_force(at_y, ln_ratio, ln_build, end_y, c=PLAIN):
    """Integrate over a fine grid of first reserves and all paces.

    The build rate's own level is common to all tests: a multivariate normal.
    Returns log evidence, the quantiles of ln reserve at ``end_y``, and the probability that
    it is below the limit.
    """
    x0 = np.linspace(LN_RESERVE[0] - 3, LN_RESERVE[-1], 6000)
    log_p = -0.5 * ((x0 - c.ln_reserve_new) / c.sd_ln_reserve_new) ** 2
    log_p = log_p - np.log(np.exp(log_p).sum())
    log_post, ends = [], []
    cov = c.sd_build**2 * np.eye(len(at_y)) + c.sd_ln_build_new**2
    inverse, (_, log_det) = np.linalg.inv(cov), np.linalg.slogdet(cov)
    for weight, pace in zip(PACES_OF_NEW_PUMPS, WEAR_PER_Y, strict=True):
        x = x0[:, None] - pace * np.asarray(at_y)[None, :]
        # Reserves a build window cannot be reached with have no place in this comparison.
        usable = x.min(axis=1) > math.log(0.75)
        err = (ln_ratio - ratio_of(x, c)) / c.sd_ratio
        ln_like = (-0.5 * err**2 - np.log(c.sd_ratio * np.sqrt(2 * np.pi))).sum(axis=1)
        off = ln_build - build_of(np.maximum(x, math.log(0.75)), c)
        ln_like += -0.5 * np.einsum("ij,jk,ik->i", off, inverse, off)
        ln_like += -0.5 * (log_det + len(at_y) * np.log(2 * np.pi))
        log_post.append(np.where(usable, log_p + ln_like + np.log(weight), -np.inf))
        ends.append(x0 - pace * end_y)
    post, end = np.exp(np.concatenate(log_post)), np.concatenate(ends)
    order = np.argsort(end)
    until = np.cumsum(post[order]) / post.sum()
    points = np.interp([0.1, 0.5, 0.9], until, end[order])
    return np.log(post.sum()), points, np.interp(math.log(LEVELS.limit), end[order], until)


def compare(at_y, wear, end_y, seed, c):
    """Return filter less brute force: log evidence, points of ln reserve, p below."""
    rng = np.random.default_rng(seed)
    x = math.log(1.3) - wear * at_y
    y = ratio_of(x, c) + c.sd_ratio * rng.normal(size=6)
    b = build_of(x, c) + 0.08 + c.sd_build * rng.normal(size=6)
    evidence, points, below = brute_force(at_y, y, b, end_y, c)
    _, pump = run(readings(at_y, y, b), c, end_y=end_y)
    return pump.log_evidence[0] - evidence, pump.ln_reserve[0] - points, pump.p_below[0] - below


@pytest.mark.parametrize("seed", range(3))
def test_tests_of_one_moment_are_weighed_as_brute_force_does(seed: int) -> None:
    evidence, points, below = compare(np.zeros(6), 0.0, 0.0, seed, PLAIN)

    assert evidence == pytest.approx(0, abs=0.01)
    np.testing.assert_allclose(points, 0, atol=0.005)
    assert below == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize("wear", [0.0, 0.15, 0.35], ids=lambda pace: f"{pace} a year")
@pytest.mark.parametrize("seed", range(3))
def test_a_wearing_pump_is_followed_as_by_brute_force(wear: float, seed: int) -> None:
    """A shift by part of a grid step smears, by up to half a step (0.02) each quarter."""
    c = PLAIN._replace(sd_ratio=0.05, sd_ln_build_new=1e-3)

    evidence, points, below = compare(np.arange(1, 7) * 0.25, wear, 2.0, seed, c)

    assert evidence == pytest.approx(0, abs=1.0)
    np.testing.assert_allclose(points, 0, atol=0.12)
    assert below == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize("ln_reserve", [0.0, 0.1, 0.5], ids=["below the cap", "near it", "above"])
@pytest.mark.parametrize(
    ("sd_reach", "sd_missing"),
    [(0.05, 0.0), (1e-6, 0.2), (0.05, 0.2)],
    ids=["scatter", "temperature missing", "both"],
)
def test_unsure_conditions_are_averaged_over_as_by_brute_force(
    sd_reach: float, sd_missing: float, ln_reserve: float
) -> None:
    c = PLAIN._replace(sd_reach=sd_reach)
    y, b = ratio_of(ln_reserve, c), build_of(ln_reserve, c)
    x = LN_RESERVE[:, None]
    reach = x + math.hypot(sd_reach, sd_missing) * np.linspace(-6, 6, 2001)[None, :]
    weight = np.exp(-0.5 * np.linspace(-6, 6, 2001) ** 2)
    # The build rate's own level is one more normal, of this pump.
    sd_build = math.hypot(c.sd_build, c.sd_ln_build_new)
    like = np.exp(-0.5 * ((y - ratio_of(reach, c)) / c.sd_ratio) ** 2)
    off = b - build_of(np.maximum(reach, math.log(0.75)), c)
    off += c.volumetric_share * (reach - x)
    like *= np.exp(-0.5 * (off / sd_build) ** 2)
    post = np.exp(-0.5 * ((x[:, 0] - c.ln_reserve_new) / c.sd_ln_reserve_new) ** 2)
    post *= (like * weight).sum(axis=1)
    until = np.cumsum(post) / post.sum()
    expected = np.interp([0.1, 0.5, 0.9], until - 0.5 * post / post.sum(), LN_RESERVE)

    own = readings([0.0], y, b, var_ln_viscosity=sd_missing**2)
    _, pump = run(own, c)

    np.testing.assert_allclose(pump.ln_reserve[0], expected, atol=0.06)


def test_a_look_ahead_is_the_belief_of_that_later_day() -> None:
    at_y = np.arange(8) * 0.25
    own = readings(at_y, ratio_of(math.log(1.2) - 0.15 * at_y))
    days = (365.25 / 4, 365.25 / 2, 365.25)

    _, now = run(own, end_y=1.75, forecast_days=days)
    later = [run(own, end_y=1.75 + d / 365.25)[1].p_below[0] for d in days]

    # Steps of other lengths smear the grid a little differently.
    np.testing.assert_allclose(now.p_below_at[0], later, atol=0.03)
    assert np.all(np.diff(now.p_below_at[0]) > 0)


def test_a_pump_with_perfect_readings_is_followed() -> None:
    at_y = np.arange(0, 4, 0.1)
    x = math.log(1.8) - 0.2 * at_y
    records, pump = run(readings(at_y, ratio_of(x), build_of(x)))

    late = at_y > 1
    np.testing.assert_allclose(records.ln_reserve[late], x[late], atol=0.1)
    low, middle, high = pump.ln_reserve[0]
    assert low < x[-1] < high
    assert middle == pytest.approx(x[-1], abs=0.06)
    assert 0.1 < pump.wear_per_y[0] < 0.35


def test_no_probability_is_lost_or_made() -> None:
    rng = np.random.default_rng(2)
    at_y = np.sort(rng.uniform(0, 6, 40))
    own = readings(
        at_y,
        np.where(rng.random(40) < 0.3, np.nan, rng.normal(-0.1, 0.1, 40)),
        np.where(rng.random(40) < 0.3, np.nan, rng.normal(LN_BUILD_NEW, 0.2, 40)),
        ln_viscosity=rng.normal(0, 0.5, 40),
        var_ln_viscosity=rng.uniform(0, 0.05, 40),
        var_ln_speed=rng.uniform(0, 0.02, 40),
        repaired=rng.choice([0, 1, 2, 4, 7], 40, p=[0.8, 0.05, 0.05, 0.05, 0.05]),
    )
    everything = Levels(limit=6.0, act=6.0, notice_days=60.0)

    records, pump = run(own, end_y=9.0, levels=everything)

    np.testing.assert_allclose(records.p_below, 1, rtol=1e-9)
    np.testing.assert_allclose(records.p_worn, 1, rtol=1e-9)
    np.testing.assert_allclose(pump.p_below, 1, rtol=1e-9)
    np.testing.assert_allclose(pump.p_below_at, 1, rtol=1e-9)


def test_a_test_that_measured_nothing_leaves_only_motion() -> None:
    _, without = run(readings([]), end_y=1.0)
    _, with_nothing = run(readings([0.5, 1.0]), end_y=1.0)

    for one, other in zip(without, with_nothing, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9)
    assert with_nothing.log_evidence[0] == 0


@pytest.mark.parametrize(
    "ln_build_drop", [np.nan, 0.0, 0.25], ids=["not timed", "as before", "slower as well"]
)
def test_one_botched_run_is_not_believed_and_two_are(ln_build_drop: float) -> None:
    at_y = np.arange(9) * 0.15
    y = np.full(9, ratio_of(math.log(1.5)))
    b = build_of(math.log(1.5)) - np.where(at_y < 0.85, 0.0, ln_build_drop)
    y[6:] = math.log(0.68)
    if np.isnan(ln_build_drop):
        b[:] = np.nan
    else:
        b[7:] = build_of(math.log(0.72))  # the second time it is the pump itself

    records, _ = run(readings(at_y, y, b))

    assert records.p_below[5] < 0.02
    assert records.p_below[6] < 0.4
    assert records.p_botched_ratio[6] > 0.5
    assert records.p_below[8] > 0.7
    if ln_build_drop != 0.0:
        # After a climb as before, the next low run may have lost reach in passing.
        assert records.p_below[7] > 0.5


def test_a_run_that_lost_reach_is_not_believed_once_and_is_twice() -> None:
    """A valve that was not seated looks in every reading like a worn pump."""
    at_y = np.arange(8) * 0.15
    x = np.where(at_y < 0.85, math.log(1.5), math.log(0.72))

    often = CONSTANTS._replace(p_passing_loss=0.03)
    own = readings(at_y, ratio_of(x), build_of(x))

    records, _ = run(own, often)
    seldom, _ = run(own, often._replace(p_passing_loss=1e-4))

    assert records.p_below[6] < 0.2
    assert seldom.p_below[6] > 2 * records.p_below[6]
    assert records.p_botched_ratio[6] > 0.7
    assert records.p_botched_build[6] > 0.7
    assert records.p_below[7] > 0.7


def test_a_capped_ratio_shows_nothing_of_a_passing_loss() -> None:
    """Air in the fuel slows the climb; what the pump reaches stays above the regulator's cap."""
    at_y = np.arange(8) * 0.15
    x = np.full(8, math.log(1.8))
    b = build_of(x)
    b[7] -= 0.5

    records, _ = run(readings(at_y, ratio_of(x), b), CONSTANTS._replace(p_passing_loss=0.03))

    assert records.p_botched_build[7] > 0.7
    assert records.p_botched_ratio[7] < 0.3


@pytest.mark.parametrize("measured", ["ln_ratio", "ln_build"])
@pytest.mark.parametrize("p_passing_loss", [1e-4, 0.008, 0.15])
def test_what_a_reading_may_be_adds_up_to_one(p_passing_loss: float, measured: str) -> None:
    """Else the chance of a passing loss would be learnt too low or too high."""
    c = CONSTANTS._replace(p_passing_loss=p_passing_loss)
    # The lowest reserve of the grid takes every ratio below its own: none of it is looked at.
    values = np.linspace(-1.0, 0.5, 1501) if measured == "ln_ratio" else np.linspace(2.5, 7.5, 1501)

    density = [
        math.exp(run(readings([0.0], **{measured: value}), c)[1].log_evidence[0])
        for value in values
    ]

    assert np.trapezoid(density, values) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("with_loss", [-2.0, 0.0, 2.0])
def test_wear_quickens_by_what_is_lost(with_loss: float) -> None:
    """Held against the same chain of paces, worked out for one reserve at a time."""
    c = CONSTANTS._replace(quickening_per_y=0.6, quickening_with_loss=with_loss)
    p = np.zeros((N_ROWS, len(LN_RESERVE)))
    p[:-1] = PACES_OF_NEW_PUMPS[:, None]
    q = np.empty_like(p)
    rates = 0.6 * np.minimum(np.exp(with_loss * (c.ln_reserve_new - LN_RESERVE)), 8.0)

    _change_pace(p, q, 0.2, _new_scratch(c).quickening, 0.1, np.empty(len(LN_RESERVE)), 0.25)

    faster = 0.9 * (1.0 - np.exp(-0.25 * rates))
    for i, onward in enumerate(faster):
        chain = np.zeros((6, 6))
        for k in range(5):
            chain[k + 1, k] = 0.2 if k == 0 else onward
            chain[k, k + 1] = 0.1
        chain += np.diag(1.0 - chain.sum(axis=0))
        np.testing.assert_allclose(q[:-1, i], chain @ PACES_OF_NEW_PUMPS, atol=1e-5)
    np.testing.assert_array_equal(q[-1], p[-1])


@pytest.mark.parametrize("quickening_per_y", [0.05, 5.0])
@pytest.mark.parametrize("with_loss", [-2.0, 5.0])
def test_no_constant_that_can_be_learnt_makes_a_negative_chance(
    quickening_per_y: float, with_loss: float
) -> None:
    c = CONSTANTS._replace(quickening_per_y=quickening_per_y, quickening_with_loss=with_loss)

    ahead = look_ahead(c, LEVELS)

    for chance in (ahead.worn, ahead.below_at):
        assert chance.min() >= 0.0
        assert chance.max() <= 1.0 + 1e-9


@pytest.mark.parametrize("ln_seen", [-0.25, 0.0], ids=["well below", "nearly there"])
@pytest.mark.parametrize("of_flow", [False, True], ids=["leak", "flow"])
def test_a_passing_loss_is_averaged_over_as_by_brute_force(of_flow: bool, ln_seen: float) -> None:
    """Losses of 0.1 to 1.3 in ln, ever fewer the larger (mean 0.6), half leaks and half flow."""
    c = PLAIN._replace(p_passing_loss=0.3, sd_reach=0.05, sd_ln_build_new=1e-3)
    lost = math.log(1.5) - ln_seen if of_flow else 0.0
    y, b = ratio_of(ln_seen, c), build_of(ln_seen, c) - lost
    losses = np.linspace(0.1, 1.3, 601)
    shares = np.exp(-losses / 0.6)
    shares *= c.p_passing_loss / shares.sum()
    scatter = np.linspace(-5, 5, 201)
    normal = np.exp(-0.5 * scatter**2)
    normal /= normal.sum()

    def likely(x: float, loss: Floats, flow: Floats) -> Floats:
        reach = x - loss[:, None] + c.sd_reach * scatter[None, :]
        sigma_r, sigma_b = c.sd_ratio, c.sd_build
        off = b - build_of(np.maximum(reach, math.log(0.75)), c) + flow[:, None]
        off -= c.volumetric_share * (x - reach)
        like = np.exp(-0.5 * ((y - ratio_of(reach, c)) / sigma_r) ** 2 - 0.5 * (off / sigma_b) ** 2)
        return (like * normal).sum(axis=1) / (2 * math.pi * sigma_r * sigma_b)

    none = np.zeros(1)
    prior = np.exp(-0.5 * ((LN_RESERVE - c.ln_reserve_new) / c.sd_ln_reserve_new) ** 2)
    honest = np.array([(1 - c.p_passing_loss) * likely(x, none, none)[0] for x in LN_RESERVE])
    passing = np.array(
        [
            (0.5 * shares * (likely(x, losses, 0 * losses) + likely(x, losses, losses))).sum()
            for x in LN_RESERVE
        ]
    )
    total = (prior * (honest + passing)).sum()

    records, pump = run(readings([0.0], y, b), c)

    assert records.p_botched_build[0] == pytest.approx((prior * passing).sum() / total, abs=0.05)
    # Six losses stand for all, and around each of them both readings lose by themselves.
    assert pump.log_evidence[0] == pytest.approx(math.log(total / prior.sum()), abs=0.8)


def test_a_good_run_after_a_botched_one_makes_it_forgotten() -> None:
    at_y = np.arange(8) * 0.15
    y = np.full(8, ratio_of(math.log(1.5)))
    y[6] = math.log(0.6)

    records, _ = run(readings(at_y, y))

    assert records.p_below[7] < 0.03
    assert records.ln_reserve[7] == pytest.approx(records.ln_reserve[5], abs=0.1)


@pytest.mark.parametrize("ln_viscosity", [0.6, 1.2, 1.8])
def test_a_test_so_cold_that_any_reserve_is_capped_is_not_botched(ln_viscosity: float) -> None:
    cap = np.full(6, CONSTANTS.ln_cap - 0.05)

    records, _ = run(readings(np.arange(1, 7) * 0.15, cap, ln_viscosity=ln_viscosity))

    assert records.p_botched_ratio.max() < 0.3


def test_a_cold_tests_high_ratio_is_no_improvement() -> None:
    worn = math.log(0.95)
    at_y = np.arange(7) * 0.1
    y = np.full(7, ratio_of(worn))
    thick = np.zeros(7)
    thick[6] = math.log(1.9)  # about 10 degC for fuel tested at 40 otherwise
    y[6] = ratio_of(worn + thick[6])

    cold, _ = run(readings(at_y, y, ln_viscosity=thick))
    warm, _ = run(readings(at_y, y))

    assert y[6] > y[5] + 0.05
    assert cold.ln_reserve[6] <= cold.ln_reserve[5] + 0.01
    assert cold.p_worn[6] >= cold.p_worn[5] - 0.02
    assert warm.ln_reserve[6] > cold.ln_reserve[6] + 0.03


def test_a_capped_ratio_says_only_that_the_reserve_is_not_low() -> None:
    before, after = (run(own, end_y=0.5)[1] for own in (readings([]), readings([0.5], -0.04)))

    assert after.ln_reserve[0, 2] == pytest.approx(before.ln_reserve[0, 2], abs=0.08)
    assert after.p_below[0] < 0.5 * before.p_below[0]


def test_a_higher_reading_never_means_a_lower_reserve() -> None:
    certain = PLAIN._replace(sd_ln_cap=0.02)
    ratios = np.linspace(math.log(0.75), math.log(0.95), 9)
    builds = build_of(np.linspace(math.log(0.9), math.log(1.9), 9))

    by_ratio = [run(readings([0.1, 0.2], y), certain)[1] for y in ratios]
    by_build = [run(readings([0.1, 0.2], np.nan, b), certain)[1] for b in builds]

    for pumps in (by_ratio, by_build):
        assert np.all(np.diff([p.ln_reserve[0, 1] for p in pumps]) > 0)
        assert np.all(np.diff([p.p_below[0] for p in pumps]) < 1e-6)


def test_the_unit_of_the_build_rate_does_not_matter() -> None:
    at_y = np.arange(6) * 0.2
    x = math.log(1.6) - 0.2 * at_y
    moved = math.log(14.5038)  # psi/s for bar/s

    one = run(readings(at_y, ratio_of(x), build_of(x)))
    other = run(
        readings(at_y, ratio_of(x), build_of(x) + moved),
        CONSTANTS._replace(ln_build_new=LN_BUILD_NEW + moved),
    )

    for a, b in zip((*one[0], *one[1]), (*other[0], *other[1]), strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-6, atol=1e-9)


def test_the_date_of_the_first_test_does_not_matter() -> None:
    at_y = np.arange(6) * 0.2
    y = ratio_of(math.log(1.2) - 0.2 * at_y)

    _, early = run(readings(at_y, y))
    _, late = run(readings(at_y + 20, y), start_y=20.0)

    np.testing.assert_allclose(early.ln_reserve, late.ln_reserve, rtol=1e-6)


@pytest.mark.parametrize("ln_kit", [-0.09, -0.04, 0.06])
def test_a_known_kit_bias_is_taken_out_of_both_readings(ln_kit: float) -> None:
    at_y = np.arange(6) * 0.2
    y, b = ratio_of(math.log(1.1) - 0.2 * at_y), np.full(6, build_of(math.log(1.3)))
    as_read = y + ln_kit, np.full(6, build_of(math.log(1.3), ln_kit=ln_kit))

    true, _ = run(readings(at_y, y, b))
    corrected, _ = run(readings(at_y, *as_read, ln_kit=ln_kit))
    believed, _ = run(readings(at_y, *as_read))

    # Not equal: over higher pressures a climb tells more of the reserve. With the climb alone
    # put right, and not the window, it would be 0.5 to 0.6 of the kit's bias off.
    np.testing.assert_allclose(corrected.ln_reserve, true.ln_reserve, atol=0.2 * abs(ln_kit))
    assert (believed.ln_reserve[-1] < true.ln_reserve[-1]) == (ln_kit < 0)


def test_a_kit_that_may_be_off_makes_a_build_rate_say_less() -> None:
    at_y = np.arange(4) * 0.2

    def width(**unsure: float) -> float:
        own = readings(at_y, ln_build=np.full(4, build_of(math.log(1.1))), **unsure)
        return float(np.ptp(run(own)[1].ln_reserve[0]))

    # The watch is off as well as the climb: more than the reading's own scatter would do.
    assert width(var_ln_kit=0.05**2) > 1.02 * width(var_ln_speed=0.05**2) > width()


def test_unknown_conditions_widen_the_belief() -> None:
    at_y = np.arange(6) * 0.2
    y = np.full(6, ratio_of(math.log(0.8)))

    _, known = run(readings(at_y, y))
    _, unknown = run(readings(at_y, y, var_ln_viscosity=0.15**2, var_ln_speed=0.05**2))

    def width(pump):
        return pump.ln_reserve[0, 2] - pump.ln_reserve[0, 0]

    assert width(unknown) > 1.3 * width(known)


def test_a_repair_makes_a_gain_believable() -> None:
    at_y = np.arange(8) * 0.2
    x = np.where(at_y < 1.1, math.log(0.9), math.log(1.6))
    mended = np.where(np.arange(8) == 6, Repair.LEAKS, 0)

    plain, _ = run(readings(at_y, ratio_of(x), build_of(x)))
    repaired, _ = run(readings(at_y, ratio_of(x), build_of(x), repaired=mended))

    assert repaired.ln_reserve[6] > plain.ln_reserve[6]
    assert repaired.p_worn[6] < plain.p_worn[6]


def test_a_repair_after_the_last_test_makes_a_low_reserve_less_certain() -> None:
    own = readings(np.arange(6) * 0.2, ratio_of(math.log(0.7)))

    _, plain = run(own, end_y=1.1)
    _, repaired = run(own, end_y=1.1, repaired_since=Repair.LEAKS)

    assert plain.p_below[0] > 0.9
    assert repaired.p_below[0] < plain.p_below[0] - 0.1
    assert repaired.ln_reserve[0, 2] > plain.ln_reserve[0, 2]


def test_a_new_filter_mends_no_leak() -> None:
    at_y = np.arange(8) * 0.2
    x = math.log(1.5) - 0.5 * at_y
    leaking = readings(at_y, ratio_of(x), build_of(x))

    assert (SUPPLY_REPAIRED, LEAKS_REPAIRED) == (Repair.SUPPLY, Repair.LEAKS)
    assert (FOUND_SOUND, FOUND_CLOGGED) == (Repair.FOUND_SOUND, Repair.FOUND_CLOGGED)

    def p_below(repaired: int = 0) -> float:
        _, pump = run(leaking, end_y=1.41, repaired_since=repaired)
        return pump.p_below[0]

    assert p_below() > 0.2
    assert p_below(Repair.SUPPLY) > 0.9 * p_below()
    assert p_below(Repair.REGULATOR) < 0.6 * p_below()


def test_a_pump_starved_by_its_filter_comes_back_with_a_new_one() -> None:
    at_y = np.arange(7) * 0.15
    lost = np.array([0.0, 0.0, 0.0, 0.0, 0.3, 0.4, 0.45])
    x = math.log(1.5) - lost
    # Flow that is not there takes the build rate with it; a leak takes a part of it only.
    starved_build = build_of(x) - (1.0 - CONSTANTS.volumetric_share) * lost

    def after(build: Floats, repaired: int = 0):
        return run(readings(at_y, ratio_of(x), build), end_y=0.92, repaired_since=repaired)[1]

    starved, worn = after(starved_build), after(build_of(x))
    assert starved.p_starved[0] > 0.9 > 0.3 > worn.p_starved[0]
    assert starved.p_worn[0] > 0.9
    changed = after(starved_build, Repair.SUPPLY)
    assert changed.p_worn[0] < 0.4 and changed.p_starved[0] < 0.4
    assert after(starved_build, Repair.LEAKS).p_worn[0] > 0.9
    assert after(build_of(x), Repair.SUPPLY).p_worn[0] > 0.8


def test_a_filter_found_clogged_says_where_the_flow_went() -> None:
    at_y = np.arange(7) * 0.15
    lost = np.array([0.0, 0.0, 0.0, 0.2, 0.4, 0.5, 0.6])
    # Without a build rate a clogging filter and a worn pump look alike.
    own = readings(at_y, ratio_of(math.log(1.4) - lost))

    def after(repaired: int = 0):
        return run(own, end_y=0.92, repaired_since=repaired)[1]

    def odds(p: float) -> float:
        return p / (1.0 - p)

    changed = after(Repair.SUPPLY)
    clogged = after(Repair.SUPPLY | Repair.FOUND_CLOGGED)
    assert after().p_worn[0] > changed.p_worn[0] > 0.9
    assert odds(clogged.p_worn[0]) < 0.1 * odds(changed.p_worn[0])
    # It may be back where it was.
    assert changed.ln_reserve[0, 2] < 0.0 < math.log(1.2) < clogged.ln_reserve[0, 2]


def test_a_pump_that_was_starved_is_followed_on_as_before() -> None:
    """What a finding says goes into the belief of where the pump is, and into nothing else."""
    at_y = np.arange(12) * 0.15
    x = math.log(1.7) - np.where((at_y > 0.7) & (at_y < 1.0), 0.25, 0.0)
    starved = build_of(x) - (1.0 - CONSTANTS.volumetric_share) * (math.log(1.7) - x)
    at_change = np.arange(12) == 7

    def after(repair: Repair):
        return run(readings(at_y, ratio_of(x), starved, repaired=np.where(at_change, repair, 0)))[0]

    changed, clogged = after(Repair.SUPPLY), after(Repair.SUPPLY | Repair.FOUND_CLOGGED)
    assert clogged.p_worn[7:] == pytest.approx(changed.p_worn[7:], abs=0.02)
    assert clogged.ln_reserve[7:] == pytest.approx(changed.ln_reserve[7:], abs=0.05)


def test_a_pump_found_sound_is_believed_so_as_far_as_workshops_can_tell() -> None:
    at_y = np.arange(6) * 0.2
    doubtful = readings(at_y, ratio_of(math.log(1.6) - np.array([0, 0, 0, 0, 0, 0.6])))
    worn = readings(at_y, ratio_of(math.log(1.6) - np.array([0, 0.2, 0.4, 0.7, 0.75, 0.8])))

    def p_worn(own: Readings, **what: Any) -> float:
        return run(own, end_y=1.02, **what)[1].p_worn[0]

    before, after = p_worn(doubtful), p_worn(doubtful, repaired_since=Repair.FOUND_SOUND)
    assert before / (1 - before) > 2.0 * after / (1 - after)
    # Proof after proof is not looked away.
    assert p_worn(worn, repaired_since=Repair.FOUND_SOUND) > 0.8
    # A later test knows of it too.
    again = doubtful._replace(repaired=np.where(np.arange(6) == 5, Repair.FOUND_SOUND, 0))
    assert p_worn(again) < before


def test_each_pump_has_a_cap_of_its_own_that_is_learnt() -> None:
    at_y = np.arange(8) * 0.15
    for ln_cap in (CONSTANTS.ln_cap - 0.06, CONSTANTS.ln_cap + 0.06):
        own = readings(at_y, np.full(8, ln_cap), np.full(8, build_of(math.log(1.6))))
        records, pump = run(own)

        first, last = abs(records.ratio_residual[[0, -1]])
        assert last < 0.012 < 0.03 < first
        assert pump.p_worn[0] < 0.05


def test_a_fast_crank_builds_faster_and_says_no_more_of_the_pump() -> None:
    at_y, x, fast = np.arange(4) * 0.2, math.log(1.2), 0.10
    as_read = build_of(x + fast) + (1.0 - CONSTANTS.volumetric_share) * fast

    def reserve(build: float, **conditions: float) -> float:
        _, pump = run(readings(at_y, ln_build=np.full(4, build), **conditions))
        return float(pump.ln_reserve[0, 1])

    true = reserve(float(build_of(x)))
    assert reserve(float(as_read), ln_speed=fast) == pytest.approx(true, abs=0.03)
    assert reserve(float(as_read)) > true + 0.1


def test_without_a_build_rate_or_its_crank_speed_less_is_known() -> None:
    at_y, x = np.arange(4) * 0.2, math.log(1.2)
    y, b = np.full(4, ratio_of(x)), np.full(4, build_of(x))

    def width(**given: object) -> float:
        return float(np.ptp(run(readings(at_y, **given))[1].ln_reserve))

    assert width(ln_ratio=y) > 1.4 * width(ln_ratio=y, ln_build=b)
    assert width(ln_build=b, var_ln_speed=0.06**2) > 1.05 * width(ln_build=b)


def test_a_repair_gives_back_no_more_than_a_pump_ever_had() -> None:
    at_y = np.arange(8) * 0.2
    sound = readings(at_y, ratio_of(CONSTANTS.ln_reserve_new), build_of(CONSTANTS.ln_reserve_new))

    _, plain = run(sound, end_y=1.41)
    _, repaired = run(sound, end_y=1.41, repaired_since=Repair.INJECTORS)

    assert repaired.ln_reserve[0, 2] < plain.ln_reserve[0, 2] + 0.1


def test_repairs_that_mend_speak_for_repairs_that_mend() -> None:
    at_y = np.arange(12) * 0.2
    mended_halfway = math.log(1.6) - 0.4 * (at_y % 1.2)
    mended = np.where(np.arange(12) == 6, Repair.REGULATOR, 0)

    def evidence(x: Floats, chance: float) -> float:
        own = readings(at_y, ratio_of(x), build_of(x), repaired=mended)
        return run(own, CONSTANTS._replace(mended_by_repair=chance))[1].log_evidence[0]

    assert evidence(mended_halfway, 0.9) > evidence(mended_halfway, 0.1) + 1
    low_throughout = np.full(12, math.log(0.9))
    assert evidence(low_throughout, 0.1) > evidence(low_throughout, 0.9) + 1


def test_two_tests_at_the_same_time_count_as_two_in_either_order() -> None:
    y = np.array([math.log(0.8), math.log(0.84)])

    _, one = run(readings([0.5, 0.5], y))
    _, other = run(readings([0.5, 0.5], y[::-1]))
    _, single = run(readings([0.5], y[:1]))

    np.testing.assert_allclose(one.ln_reserve, other.ln_reserve, atol=1e-3)
    assert one.log_evidence[0] == pytest.approx(other.log_evidence[0], abs=1e-2)
    assert np.ptp(one.ln_reserve) < np.ptp(single.ln_reserve)


def test_a_test_before_the_fitment_is_taken_at_the_fitment() -> None:
    _, early = run(readings([-0.5], -0.2), end_y=1.0)
    _, at_once = run(readings([0.0], -0.2), end_y=1.0)

    np.testing.assert_allclose(early.ln_reserve, at_once.ln_reserve, rtol=1e-9)


@pytest.mark.parametrize("y", [math.log(1e-3), math.log(2.2)], ids=["nothing", "twice the target"])
@pytest.mark.parametrize("b", [math.log(1e-2), math.log(1e5)], ids=["no build", "absurd build"])
def test_absurd_readings_leave_a_usable_belief(y: float, b: float) -> None:
    records, pump = run(readings([0.1, 0.2, 0.3], y, b), end_y=1.0)

    for values in (*pump, records.p_below, records.p_worn, records.ln_reserve):
        assert np.all(np.isfinite(values))


def test_a_new_pump_is_believed_to_be_like_its_family() -> None:
    _, pump = run(readings([]), end_y=0.0)

    low, middle, high = pump.ln_reserve[0]
    normal_10_90 = 2 * 1.2815516 * CONSTANTS.sd_ln_reserve_new
    assert middle == pytest.approx(CONSTANTS.ln_reserve_new, abs=0.02)
    assert high - low == pytest.approx(normal_10_90, rel=0.05)


def test_a_slip_of_units_moves_nothing_and_is_set_aside() -> None:
    at_y = np.arange(6) * 0.2
    y = np.full(6, float(ratio_of(math.log(1.5))))
    with_slip = y.copy()
    with_slip[5] = math.log(0.09)

    records, pump = run(readings(at_y, with_slip, slipped=np.arange(6) == 5))
    _, without = run(readings(at_y, np.where(np.arange(6) == 5, np.nan, y)))

    assert records.p_botched_ratio[5] == 1
    np.testing.assert_allclose(pump.ln_reserve, without.ln_reserve)


def test_stiffer_fuel_makes_no_better_pump() -> None:
    """The same pump, always cold: its build rate is higher by stiffness and by less leakage."""
    at_y, cold = np.arange(8) * 0.2, 0.8
    x = math.log(1.3)
    b = build_of(x + CONSTANTS.viscosity_power * cold) - CONSTANTS.volumetric_share * (
        CONSTANTS.viscosity_power * cold
    )
    b += CONSTANTS.stiffness_power * cold

    _, cold_pump = run(readings(at_y, np.nan, b, ln_viscosity=cold))
    _, warm_pump = run(readings(at_y, np.nan, build_of(x)))

    # A cold pump's leakage shows less, so its reserve is known less well.
    assert cold_pump.ln_reserve[0, 1] == pytest.approx(warm_pump.ln_reserve[0, 1], abs=0.12)


def test_what_a_workshop_always_adds_is_taken_out_of_its_rates() -> None:
    at_y, rates = np.arange(1, 9) / 6.0, build_of(0.3)
    habit = WINDOWS._replace(ln_habit=np.full(len(WINDOWS.middle), 0.08))

    _, without = run(readings(at_y, np.nan, rates))
    _, with_habit = run(readings(at_y, np.nan, rates + 0.08), windows=habit)
    _, taken_for_the_pumps = run(readings(at_y, np.nan, rates + 0.08))

    np.testing.assert_allclose(with_habit.ln_reserve, without.ln_reserve)
    assert taken_for_the_pumps.ln_reserve[0, 1] > without.ln_reserve[0, 1] + 0.02


def test_rates_over_two_windows_tell_of_one_pump() -> None:
    ln_reserve, at_y = 0.3, np.arange(1, 13) / 6.0
    number, windows = number_windows(np.array([0.1, 0.3]), np.array([0.4, 0.9]))
    over = [
        np.interp(ln_reserve, LN_REACH, windows.ln_shares[n])
        + math.log1p(CONSTANTS.stiffening * windows.middle[n])
        for n in range(3)
    ]
    assert abs(over[1] - over[2]) > 0.1
    by_turns = np.tile(number, 6)
    rates = [build_of(ln_reserve) + over[n] - over[0] for n in by_turns.tolist()]

    own = readings(at_y, ratio_of(ln_reserve), rates)._replace(window=by_turns)
    records, _ = run(own, windows=windows)

    # Taken for rates over one window they would be 10 % up and down from test to test.
    assert np.abs(np.diff(records.ln_reserve[3:])).max() < 0.02
    assert records.ln_reserve[-1] == pytest.approx(ln_reserve, abs=0.05)
    assert records.p_botched_build.max() < 0.05
