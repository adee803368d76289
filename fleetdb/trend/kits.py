"""Stage 4: what each kit adds to the pressures it reads, over time.

A kit's reading error shows as the same departure from what was expected on many vehicles
that other kits, or itself earlier, found otherwise. Its bias is taken to be constant until
it steps (dropped, adjusted, calibrated), each level drawn afresh from "reads true, nearly"
or "reads off". The departures are those from the filter's own expectation of each vehicle,
which already holds that vehicle's wear; so a fleet's wear is not taken for a kit's drift.

What all kits read wrong together no test can tell from pumps that are so: departures are
centred so that the median kit reads true (``usual_departure``), and then so that the kits that
seem to read true do so on average (``shared_error``). And an expectation learnt under a kit's
bias has taken in a part of it (about a tenth); hence the rounds of ``correct_for_kits``.

The bias at each test is the mean of a hidden Markov chain over a grid of biases, smoothed
forwards and backwards (L. R. Rabiner, Proc. IEEE 77, 257-286, 1989; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np
from numba import njit
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, RecordBelief
from fleetdb.trend.series import Series

_N_BIASES = 61
_WIDEST = 0.15
LN_BIAS = np.linspace(-_WIDEST, _WIDEST, _N_BIASES)
_STEP = 2.0 * _WIDEST / (_N_BIASES - 1)
OFF = 0.025
# The part of each grid cell beyond the line.
SHARE_OFF = np.clip((np.abs(LN_BIAS) - OFF) / _STEP + 0.5, 0.0, 1.0)
_SQRT_2PI = math.sqrt(2.0 * math.pi)
_SAYS_NOTHING = 1e6  # variance of ln ratio
# Tests' worth; keeps the shift near 0 where no kit seems to read true.
_LEAST_WEIGHT = 10.0
_MAKE_A_MAJORITY = 3
# 16 in the 60 days a step is to be found in.
_TESTS_PER_KIT_AND_Y = 100


@dataclass(frozen=True)
class KitHabits:
    """What is believed of kits before any test (common practice, no source)."""

    steps_per_y: float = 0.5
    sd_ln_true: float = 0.01
    """Scatter of kits that read true."""
    sd_ln_off: float = 0.05
    """Scatter of kits that read off."""
    share_off: float = 0.25
    share_off_calibrated: float = 0.05
    """The same just after a calibration."""
    p_stray: float = 0.03
    """Share of tests whose departure says nothing of the kit."""


@dataclass(frozen=True)
class KitBias:
    """Bias of the kit from each of its tests and calibrations on, sorted by kit and time.

    Each array has the shape (n_moments,).
    """

    kit: NDArray[np.int64]
    at_y: Floats
    ln_bias: Floats
    var_ln_bias: Floats
    p_off: Floats
    """Probability that the kit is off by more than 2.5 %."""


def no_kit_bias() -> KitBias:
    """Return the bias of no kit at all."""
    return KitBias(np.empty(0, np.int64), *(np.empty(0) for _ in range(4)))


@njit(cache=True, nogil=True, error_model="numpy")
def _likelihood(departure, variance, p_stray, like):
    """Fill ``like`` with the density of a departure under each bias.

    From the nearest bias outwards by products: three exponentials instead of one per bias.
    """
    nearest = min(max(round((departure - LN_BIAS[0]) / _STEP), 0), _N_BIASES - 1)
    miss = departure - LN_BIAS[nearest]
    peak = (1.0 - p_stray) / (_SQRT_2PI * math.sqrt(variance))
    peak *= math.exp(-0.5 * miss * miss / variance)
    shrink = math.exp(-_STEP * _STEP / variance)
    like[nearest] = peak + p_stray
    for way in (-1, 1):
        density = peak
        factor = math.exp((way * miss - 0.5 * _STEP) * _STEP / variance)
        i = nearest + way
        while 0 <= i < _N_BIASES:
            density *= factor
            factor *= shrink
            like[i] = density + p_stray
            i += way


@njit(cache=True, nogil=True, error_model="numpy")
def _smooth(
    offsets, at_y, departure, variance, reset, priors, steps_per_y, p_stray, bias, var, off
):
    biases = LN_BIAS
    for k in range(len(offsets) - 1):
        a = offsets[k]
        n = offsets[k + 1] - a
        if n == 0:
            continue
        forward = np.zeros((n, _N_BIASES))
        like = np.zeros((n, _N_BIASES))
        stay = np.zeros(n)
        for r in range(n):
            _likelihood(departure[a + r], variance[a + r], p_stray, like[r])
            if r > 0 and reset[a + r] == 0:
                stay[r] = math.exp(-steps_per_y * (at_y[a + r] - at_y[a + r - 1]))
            total = 0.0
            for i in range(_N_BIASES):
                before = forward[r - 1, i] if r > 0 else 0.0
                anew = priors[reset[a + r], i]
                forward[r, i] = (stay[r] * before + (1.0 - stay[r]) * anew) * like[r, i]
                total += forward[r, i]
            for i in range(_N_BIASES):
                forward[r, i] /= total
        backward = np.ones(_N_BIASES)
        for r in range(n - 1, -1, -1):
            if r < n - 1:
                ahead = backward * like[r + 1]
                ahead_anew = (ahead * priors[reset[a + r + 1]]).sum()
                backward = stay[r + 1] * ahead + (1.0 - stay[r + 1]) * ahead_anew
                backward /= backward.sum()
            both = forward[r] * backward
            both /= both.sum()
            mean = (both * biases).sum()
            bias[a + r] = mean
            var[a + r] = (both * (biases - mean) ** 2).sum()
            off[a + r] = (both * SHARE_OFF).sum()


def _prior(habits: KitHabits, share_off: float) -> Floats:
    def normal(sd: float) -> Floats:
        density = np.exp(-0.5 * (LN_BIAS / sd) ** 2)
        return density / density.sum()

    return (1 - share_off) * normal(habits.sd_ln_true) + share_off * normal(habits.sd_ln_off)


def smooth_kit_bias(
    kit: NDArray[np.int64],
    at_y: Floats,
    departure: Floats,
    variance: Floats,
    calibrations: dict[int, Floats],
    habits: KitHabits,
) -> KitBias:
    """Return the smoothed bias of each kit from each of its tests and calibrations on.

    Parameters
    ----------
    kit, at_y, departure, variance
        Of each test: kit number, time [y], departure of ln ratio from what was expected and
        its variance; any order, shape (n_tests,).
    calibrations
        Times [y] at which a kit was calibrated. Each starts a new level, most likely true.
    """
    numbers = [np.full(len(moments), number) for number, moments in calibrations.items()]
    n_resets = sum(len(moments) for moments in calibrations.values())
    # A calibration comes before a test of the same time, and says nothing of the departure.
    kit = np.concatenate([*numbers, kit]).astype(np.int64)
    at_y = np.concatenate([*calibrations.values(), at_y])
    departure = np.concatenate([np.zeros(n_resets), departure])
    variance = np.concatenate([np.full(n_resets, _SAYS_NOTHING), variance])
    reset = np.concatenate([np.ones(n_resets, np.int64), np.zeros(len(kit) - n_resets, np.int64)])
    order = np.lexsort((at_y, kit))
    kit, at_y = kit[order], at_y[order]
    n_kits = int(kit[-1]) + 1 if len(kit) else 0
    bias, var, off = (np.zeros(len(kit)) for _ in range(3))
    _smooth(
        np.searchsorted(kit, np.arange(n_kits + 1)),
        at_y,
        departure[order],
        variance[order],
        reset[order],
        np.stack([_prior(habits, habits.share_off), _prior(habits, habits.share_off_calibrated)]),
        habits.steps_per_y,
        habits.p_stray,
        bias,
        var,
        off,
    )
    return KitBias(kit=kit, at_y=at_y, ln_bias=bias, var_ln_bias=var, p_off=off)


def shared_error(bias: KitBias, habits: KitHabits) -> float:
    """Return what the kits that seem to read true add on average: an error of expectation.

    Each bias weighs by how likely it is that of a kit that reads true.
    """
    weight = _share_true(bias.ln_bias, habits)
    return float((weight * bias.ln_bias).sum() / max(weight.sum(), _LEAST_WEIGHT))


def usual_departure(kit: NDArray[np.int64], departure: Floats) -> float:
    """Return the median kit's median departure; of one or two kits, the one nearer to none.

    Where all kits seem to read off alike, as in a fleet that has taught nothing yet, it is the
    expectation that is off. Of two that differ no majority says which is right: the one that
    fits what pumps are expected to read is taken to be.
    """
    usual = [float(np.median(departure[kit == number])) for number in np.unique(kit)]
    if len(usual) >= _MAKE_A_MAJORITY:
        return float(np.median(usual))
    return min(usual, key=abs, default=0.0)


def _share_true(ln_bias: Floats, habits: KitHabits) -> Floats:
    true = (1 - habits.share_off) * np.exp(-0.5 * (ln_bias / habits.sd_ln_true) ** 2)
    off = habits.share_off * np.exp(-0.5 * (ln_bias / habits.sd_ln_off) ** 2)
    return true / habits.sd_ln_true / (true / habits.sd_ln_true + off / habits.sd_ln_off)


def correct_for_kits(
    families: list[Series],
    run: Callable[[Series], RecordBelief],
    calibrations: dict[int, Floats],
    habits: KitHabits,
    rounds: int = 3,
) -> tuple[list[Series], KitBias]:
    """Return the series with each record's kit bias filled in, and the biases themselves.

    The expectation a departure is measured from depends on the kits of the tests before it,
    so expectation and bias are found in turn, ``rounds`` times. Where kits have tests in plenty
    the biases are found from some of the vehicles, always the same ones.
    """
    bias = no_kit_bias()
    if not families:
        return families, bias
    shared: float | None = None
    everything, families = families, _some_vehicles(families)
    for _ in range(rounds):
        beliefs = [run(series) for series in families]
        kit = np.concatenate([s.kit for s in families])
        at_y = np.concatenate([s.readings.at_y for s in families])
        departure = np.concatenate(
            [b.ratio_residual + s.readings.ln_kit for s, b in zip(families, beliefs, strict=True)]
        )
        # The bias in use at a test is part of its own variance already; it must not be twice.
        variance = np.concatenate(
            [
                b.var_ratio_residual - s.readings.var_ln_kit
                for s, b in zip(families, beliefs, strict=True)
            ]
        )
        used = (kit >= 0) & ~np.isnan(departure)
        if shared is None:
            shared = usual_departure(kit[used], departure[used])
        bias = smooth_kit_bias(
            kit[used],
            at_y[used],
            departure[used] - shared,
            np.maximum(variance[used], 1e-6),
            calibrations,
            habits,
        )
        shared += shared_error(bias, habits)
        families = [apply_kit_bias(series, bias) for series in families]
    return [apply_kit_bias(series, bias) for series in everything], bias


def _some_vehicles(families: list[Series]) -> list[Series]:
    """Return the series of one vehicle in so many that kits still have tests enough."""
    kits = np.unique(np.concatenate([s.kit for s in families]))
    at_y = np.concatenate([s.readings.at_y for s in families])
    enough = _TESTS_PER_KIT_AND_Y * len(kits) * max(float(np.ptp(at_y)), 1.0) if len(at_y) else 0
    one_in = int(len(at_y) / enough) if enough else 1
    if one_in < 2:
        return families
    return [
        series.of_pumps(
            np.array([crc32(v.encode()) % one_in == 0 for v in series.pumps["vehicle"].to_pylist()])
        )
        for series in families
    ]


def apply_kit_bias(series: Series, bias: KitBias) -> Series:
    """Return ``series`` with each record's kit bias looked up at (or just before) its time.

    A kit never seen before gets no correction and the spread of all kits.
    """
    readings = series.readings
    ln_kit = np.zeros(len(series.kit))
    habits = KitHabits()
    unknown = float((_prior(habits, habits.share_off) * LN_BIAS**2).sum())
    var = np.full(len(series.kit), unknown)
    n_kits = int(bias.kit[-1]) + 1 if len(bias.kit) else 0
    offsets = np.searchsorted(bias.kit, np.arange(n_kits + 1))
    by_kit = np.argsort(series.kit, kind="stable")
    edges = np.searchsorted(series.kit[by_kit], np.arange(n_kits + 1))
    for number in range(n_kits):
        a, z = int(offsets[number]), int(offsets[number + 1])
        own = by_kit[edges[number] : edges[number + 1]]
        if a == z or len(own) == 0:
            continue
        where = np.searchsorted(bias.at_y[a:z], readings.at_y[own], side="right") - 1
        where = a + np.maximum(where, 0)
        ln_kit[own], var[own] = bias.ln_bias[where], bias.var_ln_bias[where]
    return replace(series, readings=readings._replace(ln_kit=ln_kit, var_ln_kit=var))
