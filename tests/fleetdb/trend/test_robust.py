"""Numbers marked EPA are from USEPA, Unified Guidance, EPA 530/R-09-007, 2009, p. 17-33 and on."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy import stats

from fleetdb.errors import InvalidInputError
from fleetdb.trend.robust import robust_trend

SEN_AT = [1, 2, 3, 4, 10, 12, 18]
SEN_VALUE = [9, 15, 19, 20, 45, 55, 78]

# EPA example 17-6: heavy ties, unequal times.
EPA_6_AT = [
    89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6,
    93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8,
]  # fmt: skip
EPA_6_VALUE = [
    480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540,
    590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590,
]  # fmt: skip
# EPA example 17-7: sodium.
EPA_7_AT = [89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3]
EPA_7_VALUE = [56, 53, 51, 55, 52, 60, 62, 59, 61, 63]


def table(*series: tuple[ArrayLike, ArrayLike]) -> pa.Table:
    """Return points of series numbered from 0."""
    return pa.table(
        {
            "series_key": np.repeat(np.arange(len(series)), [np.size(at) for at, _ in series]),
            "at": np.concatenate([np.asarray(at, float) for at, _ in series]),
            "value": np.concatenate([np.asarray(value, float) for _, value in series]),
        }
    )


def trend(
    at: ArrayLike,
    value: ArrayLike,
    confidence: float = 0.95,
    most_points: int = 100,
) -> dict[str, Any]:
    [row] = robust_trend(table((at, value)), confidence, most_points).to_pylist()
    return row


def test_sens_own_example() -> None:
    # Sen, J. Am. Stat. Assoc. 63, 1379, 1968, as SciPy's tests quote it: slope 4; intercept 4
    # from the medians.
    row = trend(SEN_AT, SEN_VALUE, 0.93)

    assert row["slope"] == pytest.approx(4, abs=1e-9)
    assert row["intercept"] == pytest.approx(4, abs=1e-9)


def test_sens_limits_are_the_slopes_next_to_gilberts_ranks() -> None:
    # Sen gives 26/7 and 35/8 at 93 %: he rounds the ranks outward to whole slopes, and so does
    # SciPy. Gilbert's ranks lie between two slopes, of which Sen's limit is the outer one.
    row = trend(SEN_AT, SEN_VALUE, 0.93)
    scipys = stats.theilslopes(SEN_VALUE, SEN_AT, 0.93)
    slopes = np.sort(
        [
            (SEN_VALUE[j] - SEN_VALUE[i]) / (SEN_AT[j] - SEN_AT[i])
            for j in range(7)
            for i in range(j)
        ]
    )

    assert (scipys.low_slope, scipys.high_slope) == pytest.approx((26 / 7, 35 / 8), abs=1e-9)
    assert slopes[slopes > 26 / 7 + 1e-9][0] > row["slope_low"] > 26 / 7
    assert slopes[slopes < 35 / 8 - 1e-9][-1] < row["slope_high"] < 35 / 8


def test_epa_example_with_ties_and_unequal_times() -> None:
    # EPA example 17-6, as the help and script of R's EnvStats quote it.
    row = trend(EPA_6_AT, EPA_6_VALUE)

    assert row["n_points"] == 23
    assert row["mann_kendall_s"] == 194
    assert row["var_s"] == pytest.approx(1428, abs=1e-9)
    assert row["z"] == pytest.approx(5.107322, abs=5e-7)
    assert row["p_value"] == pytest.approx(3.267574e-07, rel=1e-6)
    assert row["slope"] == pytest.approx(26.66667, abs=5e-6)
    assert row["intercept"] == pytest.approx(-1909.3333, abs=5e-5)
    assert row["slope_low"] == pytest.approx(20.00000, abs=5e-6)
    # SciPy's upper limit is 35.84906, for it rounds the rank.
    assert row["slope_high"] == pytest.approx(35.71182, abs=5e-6)


def test_epa_sodium_example() -> None:
    # EPA example 17-7, same source. SciPy's lower limit is 0.4545455, for it rounds the rank.
    row = trend(EPA_7_AT, EPA_7_VALUE)

    assert row["mann_kendall_s"] == 25
    assert row["var_s"] == pytest.approx(125, abs=1e-9)
    assert row["z"] == pytest.approx(2.146625, abs=5e-7)
    assert row["p_value"] == pytest.approx(0.03182313, abs=5e-9)
    assert row["slope"] == pytest.approx(4 / 3, abs=1e-9)
    assert row["slope_low"] == pytest.approx(0.3992083, abs=5e-8)
    assert row["slope_high"] == pytest.approx(2.3333333, abs=5e-8)


def test_heavy_ties_take_variance_away() -> None:
    # USEPA, QA/G-9S, p. 109: tie groups of 4 and 2; z printed 1.685.
    row = trend(range(11), [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])

    assert row["mann_kendall_s"] == 22
    assert row["var_s"] == pytest.approx(155.33, abs=0.005)
    assert row["z"] == pytest.approx(1.685, abs=5e-4)
    assert row["p_value"] == pytest.approx(0.0919983, abs=5e-8)


def test_five_points_make_the_normal_p_value_a_rough_one() -> None:
    # Kendall's table gives 0.117 one-sided (value from memory); SciPy's exact test twice that.
    value = [5, 6, 11, 8, 10]
    row = trend(range(5), value)

    assert row["mann_kendall_s"] == 6
    assert row["p_value"] == pytest.approx(0.2206714, abs=5e-8)
    exact = stats.kendalltau(range(5), value, method="exact").pvalue
    assert exact == pytest.approx(2 * 0.117, abs=1e-3)
    assert row["p_value"] == pytest.approx(exact, abs=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_variance_with_ties_in_time_and_value_is_scipys(seed: int) -> None:
    # kendalltau's asymptotic p has the same variance, but no continuity correction: compare S
    # over its root, before one is taken off.
    rng = np.random.default_rng(seed)
    at, value = rng.integers(0, 9, 20), rng.integers(0, 5, 20)
    row = trend(at, value)
    uncorrected = row["mann_kendall_s"] / math.sqrt(row["var_s"])

    scipys = stats.kendalltau(at, value, method="asymptotic")
    assert 2 * NormalDist().cdf(-abs(uncorrected)) == pytest.approx(scipys.pvalue, rel=1e-9)
    assert np.sign(row["mann_kendall_s"]) == np.sign(scipys.statistic)


@pytest.mark.parametrize("seed", range(5))
def test_slope_and_intercept_are_scipys(seed: int) -> None:
    rng = np.random.default_rng(seed)
    at, value = rng.uniform(0, 9, 15), rng.normal(0, 5, 15)
    row = trend(at, value)

    scipys = stats.theilslopes(value, at)
    assert row["slope"] == pytest.approx(scipys.slope, rel=1e-9)
    assert row["intercept"] == pytest.approx(scipys.intercept, rel=1e-9)


def test_an_exact_line_has_its_slope_for_limits_too() -> None:
    at = np.arange(10.0)
    row = trend(at, 7 - 0.5 * at)

    assert [row[name] for name in ("slope", "slope_low", "slope_high")] == [-0.5] * 3
    assert row["intercept"] == 7
    assert row["mann_kendall_s"] == -45
    assert row["var_s"] == 125  # n(n - 1)(2n + 5) / 18


def test_a_level_series_is_surely_no_trend() -> None:
    row = trend(range(8), [3] * 8)

    assert [row[name] for name in ("slope", "slope_low", "slope_high")] == [0] * 3
    assert (row["mann_kendall_s"], row["var_s"], row["z"], row["p_value"]) == (0, 0, 0, 1)


@pytest.mark.parametrize(
    ("at", "value"),
    [([1], [1]), ([1, 2], [1, 2]), ([1, 1, 2, 2], [1, 2, 3, 4]), ([5, 5, 5], [1, 2, 3])],
    ids=["one point", "two points", "two times", "one time"],
)
def test_fewer_than_three_times_have_no_slope(at: list[float], value: list[float]) -> None:
    row = trend(at, value)

    assert row.pop("series_key") == 0
    assert row.pop("n_points") == len(at)
    assert set(row.values()) == {None}


def test_too_few_points_for_a_limit_have_none() -> None:
    at, value = [0, 1, 2, 3], [0.0, 1.0, 3.0, 2.0]

    surely = trend(at, value, confidence=0.95)
    roughly = trend(at, value, confidence=0.5)

    assert (surely["slope_low"], surely["slope_high"]) == (None, None)
    assert roughly["slope_low"] < roughly["slope"] < roughly["slope_high"]
    assert surely["slope"] == roughly["slope"]


def test_points_at_equal_times_make_no_pair() -> None:
    row = trend([0, 1, 1, 2], [0, 1, 3, 2])

    assert row["slope"] == 1  # median of 1, 3, 1, 1, -1, by hand
    assert row["mann_kendall_s"] == 3


def test_points_without_a_finite_time_and_value_do_not_count() -> None:
    bad = [(math.nan, 1.0), (3.0, math.nan), (math.inf, 2.0), (4.0, -math.inf), (None, 1.0)]
    points = table((SEN_AT, SEN_VALUE))
    more = pa.table(
        {
            "series_key": [0] * len(bad) + [1],
            "at": [at for at, _ in bad] + [2.0],
            "value": [value for _, value in bad] + [None],
        },
        schema=points.schema,
    )
    both = robust_trend(pa.concat_tables([points, more]), most_points=9)

    assert both.equals(robust_trend(points, most_points=9))


def test_only_the_last_points_count() -> None:
    before = ([-5, -4, -3, 0.5], [1e6, -7.0, 3e5, 12.0])
    at, value = np.append(before[0], SEN_AT), np.append(before[1], SEN_VALUE)
    shuffled = np.random.default_rng(1).permutation(len(at))

    assert trend(at[shuffled], value[shuffled], most_points=7) == trend(SEN_AT, SEN_VALUE)


def test_series_do_not_mix_and_come_in_order_of_their_key() -> None:
    series = [(EPA_7_AT, EPA_7_VALUE), ([1, 2], [3, 4]), (EPA_6_AT, EPA_6_VALUE)]
    points = table(*series)
    shuffled = points.take(np.random.default_rng(2).permutation(len(points)))

    rows = robust_trend(shuffled, most_points=100).to_pylist()

    alone = [trend(*one) | {"series_key": key} for key, one in enumerate(series)]
    assert rows == alone


def test_no_points_give_no_rows() -> None:
    empty = robust_trend(table((SEN_AT, SEN_VALUE)).slice(0, 0))

    assert len(empty) == 0
    assert empty.schema.equals(robust_trend(table((SEN_AT, SEN_VALUE))).schema)


def test_a_shift_moves_the_intercept_only() -> None:
    plain = trend(EPA_7_AT, EPA_7_VALUE)
    moved = trend(np.add(EPA_7_AT, 16), np.add(EPA_7_VALUE, 1024))

    expected = plain["intercept"] + 1024 - 16 * plain["slope"]
    assert moved.pop("intercept") == pytest.approx(expected, rel=1e-12)
    plain.pop("intercept")
    assert moved == pytest.approx(plain, rel=1e-9)


def test_other_units_scale_slopes_and_leave_the_test_alone() -> None:
    plain = trend(EPA_6_AT, EPA_6_VALUE)
    scaled = trend(np.multiply(EPA_6_AT, 365.25), np.divide(EPA_6_VALUE, 14.5038))

    per = 14.5038 * 365.25
    for name in ("slope", "slope_low", "slope_high"):
        assert scaled[name] == pytest.approx(plain[name] / per, rel=1e-9)
    for name in ("mann_kendall_s", "var_s", "z", "p_value"):
        assert scaled[name] == plain[name]


def test_falling_instead_of_rising_turns_everything_round() -> None:
    up = trend(EPA_7_AT, EPA_7_VALUE)
    down = trend(EPA_7_AT, np.negative(EPA_7_VALUE))

    for one, other in [("slope", "slope"), ("slope_low", "slope_high"), ("z", "z")]:
        assert down[one] == pytest.approx(-up[other], rel=1e-12)
    assert down["p_value"] == up["p_value"]


def test_an_odometer_slip_leaves_the_pace_alone() -> None:
    days = np.arange(0.0, 360, 30)
    km = 80_000 + 150 * days
    slipped = km.copy()
    slipped[7] *= 10  # a nought too many

    assert trend(days, slipped)["slope"] == pytest.approx(150)
    assert abs(np.polyfit(days, slipped, 1)[0] / 150 - 1) > 1


def test_many_series_of_a_length_are_as_each_alone() -> None:
    rng = np.random.default_rng(3)
    series = [(rng.integers(0, 30, 12), rng.normal(size=12)) for _ in range(1_700)]

    rows = robust_trend(table(*series)).to_pylist()

    some = [0, 566, 567, 1_133, 1_134, 1_699]
    assert [rows[key] for key in some] == [
        trend(*series[key]) | {"series_key": key} for key in some
    ]


NAMES = (
    "n_points",
    "slope",
    "slope_low",
    "slope_high",
    "intercept",
    "mann_kendall_s",
    "var_s",
    "z",
    "p_value",
)


# Grids of whole numbers: ties are common, and no difference is lost in rounding.
@st.composite
def many_series(draw: st.DrawFn) -> list[tuple[list[int], list[int]]]:
    pairs = st.tuples(st.integers(-8, 8), st.integers(-6, 6))
    series = draw(st.lists(st.lists(pairs, min_size=1, max_size=12), min_size=1, max_size=12))
    return [([at for at, _ in one], [value for _, value in one]) for one in series]


def plainly(at: list[int], value: list[int], confidence: float) -> list[float]:
    """Return the columns ``NAMES`` computed pair by pair, NaN where there is none."""
    n = len(at)
    if len(set(at)) < 3:
        return [n] + [math.nan] * 8
    pairs = [(i, j) for j in range(n) for i in range(j) if at[i] != at[j]]
    slopes = np.sort([(value[j] - value[i]) / (at[j] - at[i]) for i, j in pairs])
    s = int(np.sum(np.sign(slopes)))
    t, u = (np.unique(values, return_counts=True)[1].astype(float) for values in (value, at))
    var = n * (n - 1) * (2 * n + 5)
    var -= np.sum(t * (t - 1) * (2 * t + 5)) + np.sum(u * (u - 1) * (2 * u + 5))
    var /= 18
    triples = np.sum(t * (t - 1) * (t - 2)) * np.sum(u * (u - 1) * (u - 2))
    var += triples / (9 * n * (n - 1) * (n - 2))
    var += np.sum(t * (t - 1)) * np.sum(u * (u - 1)) / (2 * n * (n - 1))
    rank = (len(slopes) - NormalDist().inv_cdf((1 + confidence) / 2) * math.sqrt(var)) / 2
    low = high = math.nan
    if rank >= 1:
        places = np.arange(1, len(slopes) + 1)
        low, high = np.interp([rank, len(slopes) + 1 - rank], places, slopes)
    z = 0.0 if s == 0 else (s - np.sign(s)) / math.sqrt(var)
    slope = np.median(slopes)
    intercept = np.median(value) - slope * np.median(at)
    return [n, slope, low, high, intercept, s, var, z, 2 * NormalDist().cdf(-abs(z))]


@settings(deadline=None, max_examples=40)
@given(series=many_series(), confidence=st.sampled_from([0.5, 0.8, 0.95]))
def test_it_says_what_a_plain_computation_says(
    series: list[tuple[list[int], list[int]]],
    confidence: float,
) -> None:
    rows = robust_trend(table(*series), confidence).to_pylist()

    for row, (at, value) in zip(rows, series, strict=True):
        said = [math.nan if row[name] is None else row[name] for name in NAMES]
        expected = plainly(at, value, confidence)
        assert said == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("confidence", [0, 1, 95, math.nan])
def test_a_confidence_that_is_no_share_is_refused(confidence: float) -> None:
    with pytest.raises(InvalidInputError, match="is not between 0 and 1"):
        trend(SEN_AT, SEN_VALUE, confidence)


def test_fewer_than_three_points_to_use_are_refused() -> None:
    with pytest.raises(InvalidInputError, match="2 is below 3"):
        trend(SEN_AT, SEN_VALUE, most_points=2)
