"""Bayes filter of one pump's delivery reserve: compiled, one pump after another.

The belief is a grid over x = ln(delivery reserve) and the wear rate v = -dx/dt. Between
tests the belief moves (wear, rare damage, rare recovery, a little wander); at a test it is
weighed by how well each reserve explains proof ratio and build rate together. Two numbers
of each pump are learnt on the way, for every reserve separately: its regulator's cap and
its build rate when new (a mean and a variance per grid node, a marginalised Kalman update).
A record may be botched: each reading has a second, broad explanation, and both together have
one as the run of a pump that had lost some reach for that run only, so that one bad run moves
the belief little and two alike move it fully.

What follows is one translation unit on purpose: Numba's cache does not notice a change in
another module's kernel.

References
----------
Grid (point-mass) filter and Rao-Blackwellised nuisance parameters: S. Sarkka, Bayesian
Filtering and Smoothing, Cambridge 2013, ch. 7 and 11 (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from fleetdb.trend.beliefs import Floats
from fleetdb.trend.build_windows import LN_REACH_HIGH, LN_REACH_LOW, LN_REACH_STEP
from fleetdb.trend.constants import FamilyConstants

N_RESERVES = 60
LN_RESERVE = np.linspace(math.log(0.35), math.log(4.5), N_RESERVES)
WEAR_PER_Y = np.array([0.0, 0.05, 0.15, 0.35, 0.8, 1.8])
"""Paces of wear, loss of ln reserve per year: none, slow ... gone within a season."""
LN_RESERVE_STEP = float(LN_RESERVE[1] - LN_RESERVE[0])
_DX = LN_RESERVE_STEP
N_PACES = len(WEAR_PER_Y)
SUPPLY = N_PACES
"""Row of the grid for a pump starved by its supply; the rows before it are paces of wear."""
N_ROWS = N_PACES + 1

_LONGEST_STEP_Y = 0.25
_PAD = int(WEAR_PER_Y[-1] * _LONGEST_STEP_Y / _DX) + 2
"""Nodes below the grid that the fastest wear can reach in the longest step."""
_TRACE = 1e-15
_TINY = 1e-300  # keeps 0 / 0 away where nothing is
_NOTHING = 1e-30  # less is none: denormal numbers are slow
_ONES = np.ones(N_RESERVES)
# A botched ratio or build rate lies anywhere below the honest one: broad log-normal.
_BOTCHED_LN_RATIO, _BOTCHED_LN_RATIO_SD = math.log(0.65), 0.45
_BOTCHED_LN_BUILD_DROP, _BOTCHED_LN_BUILD_SD = 0.4, 0.5
# A passing loss of ln reach lies at one of these, or half a step around it.
_PASSING_LOSS = np.linspace(0.2, 1.2, 6)
_OF_PASSING = np.exp(-_PASSING_LOSS / 0.6)
_OF_PASSING /= _OF_PASSING.sum()
_VAR_PASSING = float(_PASSING_LOSS[1] - _PASSING_LOSS[0]) ** 2 / 12.0
_SMALLEST_DAMAGE, _MEAN_DAMAGE = 0.15, 0.4
# A leak bad enough to be mended took something; what it took is given back, not more.
_SMALLEST_GAIN, _MEAN_GAIN = 0.1, 0.25
_GAIN_GAP, _KEEP_GAINING = int(_SMALLEST_GAIN / _DX) + 1, math.exp(-_DX / _MEAN_GAIN)
# A clogging filter takes flow: at once when first noticed, then more, until it is changed.
_SMALLEST_STARVATION, _MEAN_STARVATION, _STARVATION_PER_Y = 0.05, 0.15, 0.3
_UNRECORDED_FILTERS_PER_Y, _FILTER_CHANCE = 0.5, 0.7
# As ``beliefs.Repair`` counts: a cached kernel would not notice a change there.
SUPPLY_REPAIRED, LEAKS_REPAIRED, FOUND_SOUND, FOUND_CLOGGED = 1, 14, 16, 32
# How often a pump that is looked at is found sound: one that reaches its target nearly always, one
# that does not now and then, since not every workshop has a bench, and since what is lost may not
# be the pump's (an injector's leak). A filter is seldom called worn that held nothing back.
_SOUND_AT_BEST, _SOUND_AT_WORST, _SOUND_WITHIN = 0.9, 0.2, 0.05
_CALLED_SOUND = _SOUND_AT_WORST + (_SOUND_AT_BEST - _SOUND_AT_WORST) / (
    1.0 + np.exp(-LN_RESERVE / _SOUND_WITHIN)
)
_UNWEIGHED = np.ones(N_RESERVES)
_CLOGGED_CALLED_WORN, _CLEAN_CALLED_WORN = 0.8, 0.04
# Pumps strand vehicles from somewhat below the limit on, and now and then anyway.
_STRANDS_WITHIN, _STRANDS_ANYWAY_PER_Y = 0.04, 0.005
_QUICKENS_AT_MOST = 8.0  # times as often as a new pump's wear does
_WELL_BELOW_CAP = 0.25  # ln ratio that no scatter of a capped test comes down to
_SQRT_2PI = math.sqrt(2.0 * math.pi)
_Z_90 = 1.2815515655446004  # 90 % point of a standard normal
# A standard normal as three narrower ones, of half its spread: where they stand, their weights,
# and their variance. Points alone would leave gaps that a sharp reading tells apart.
_NODES = np.array([0.0, -math.sqrt(1.5), math.sqrt(1.5)])
_WEIGHTS = np.array([0.5, 0.25, 0.25])
_VARIANCE_WITHIN = 0.25
# Floating-point liberties that keep NaN meaningful (a NaN reading is a missing one).
_FAST = {"reassoc", "contract", "arcp", "nsz"}
_compiled = njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")


class _Belief(NamedTuple):
    p: Floats
    cap: Floats
    var_cap: Floats
    build: Floats
    var_build: Floats
    starved: Floats
    """ln reserve that a starved pump would have more of, were its supply mended."""


class _Scratch(NamedTuple):
    p: Floats
    px: Floats
    jumped: Floats
    moments: Floats
    moving: Floats
    mass: Floats
    one_row: Floats
    first_paces: Floats
    had_more: Floats
    can_gain: Floats
    stays: Floats
    carried: Floats
    shifted: Floats
    flat_carried: Floats
    flat_shifted: Floats
    nodes: Floats
    out: Floats
    quickening: Floats
    """How often wear shifts to the next faster pace, per node. [1/y]"""


@_compiled
def _pace_at_first(c: FamilyConstants, k: int) -> float:
    """Share of new pumps at a pace: some do not wear, of the others ever fewer the faster."""
    if k == 0:
        return 1.0 - c.wearing_at_first
    every = (1.0 - c.faster_at_first ** (N_PACES - 1)) / (1.0 - c.faster_at_first)
    return c.wearing_at_first * c.faster_at_first ** (k - 1) / every


@_compiled
def _new_belief(c: FamilyConstants) -> _Belief:
    belief = _Belief(
        np.zeros((N_ROWS, N_RESERVES)),
        np.full(N_RESERVES, c.ln_cap),
        np.full(N_RESERVES, c.sd_ln_cap**2),
        np.full(N_RESERVES, c.ln_build_new),
        np.full(N_RESERVES, c.sd_ln_build_new**2),
        np.full(N_RESERVES, _MEAN_STARVATION),
    )
    total = 0.0
    for i in range(N_RESERVES):
        g = math.exp(-0.5 * ((LN_RESERVE[i] - c.ln_reserve_new) / c.sd_ln_reserve_new) ** 2)
        total += g
        for k in range(N_PACES):
            belief.p[k, i] = g * _pace_at_first(c, k)
    belief.p[:] /= total
    return belief


@_compiled
def _room_to_gain(c, had_more, can_gain):
    """Fill, per node: share of new pumps that have more, and chance that a gain from there fits."""
    for i in range(N_RESERVES):
        z = (LN_RESERVE[i] - c.ln_reserve_new) / c.sd_ln_reserve_new
        had_more[i] = 0.5 * math.erfc(z / math.sqrt(2.0))
    fits = 0.0
    for i in range(N_RESERVES - 1, _GAIN_GAP - 1, -1):
        fits = fits * _KEEP_GAINING + had_more[i] * (1.0 - _KEEP_GAINING)
        can_gain[i - _GAIN_GAP] = fits


@_compiled
def _new_scratch(c: FamilyConstants) -> _Scratch:
    carried, shifted = np.zeros((4, _PAD + N_RESERVES)), np.zeros((4, _PAD + N_RESERVES))
    first_paces = np.zeros(N_ROWS)
    for k in range(N_PACES):
        first_paces[k] = _pace_at_first(c, k)
    had_more, can_gain = np.zeros(N_RESERVES), np.zeros(N_RESERVES)
    _room_to_gain(c, had_more, can_gain)
    return _Scratch(
        np.zeros((N_ROWS, N_RESERVES)),
        np.zeros(N_RESERVES),
        np.zeros(N_RESERVES),
        np.zeros((6, N_RESERVES)),
        np.zeros((_PAD + 1, N_RESERVES)),
        np.zeros(_PAD + N_RESERVES),
        np.zeros(_PAD + N_RESERVES),
        first_paces,
        had_more,
        can_gain,
        np.zeros(N_RESERVES),
        carried,
        shifted,
        carried.reshape(-1),
        shifted.reshape(-1),
        np.zeros((18, N_RESERVES)),
        np.zeros(4),
        c.quickening_per_y
        * np.minimum(
            np.exp(c.quickening_with_loss * (c.ln_reserve_new - LN_RESERVE)), _QUICKENS_AT_MOST
        ),
    )


@_compiled
def _change_pace(p, q, onset, quickening, relief, faster, dt_y):
    """Fill ``q`` with ``p`` after changes of pace; ``faster`` is room for a number per node."""
    for i in range(N_RESERVES):
        # Of what is not relieved, so that no more leaves than there is.
        faster[i] = (1.0 - relief) * (1.0 - _exp_of_negative(-quickening[i] * dt_y))
    q[:] = p
    for k in range(N_PACES - 1):
        for i in range(N_RESERVES):
            moving = p[k, i] * (onset if k == 0 else faster[i]) - p[k + 1, i] * relief
            q[k, i] -= moving
            q[k + 1, i] += moving


@_compiled
def _add_shifted(target, source, share, places):
    """Add a share of ``source`` to ``target``, ``places`` nodes further down.

    Both are flat and made of blocks that begin with ``_PAD`` nodes below the grid, which are
    empty in the source: what falls off the grid gathers there, so one loop serves all blocks.
    """
    # A slice, because Numba guards an index such as j + places against wrapping round.
    moved = source[places:]
    for j in range(len(moved)):
        target[j] += share * moved[j]


@_compiled
def _onto_grid(block, row):
    """Copy a padded block's nodes to ``row``; what fell below the grid is at its lowest node."""
    nodes = block[_PAD:]
    for i in range(N_RESERVES):
        row[i] = nodes[i]
    for i in range(_PAD):
        row[0] += block[i]


@_compiled
def _shift(mass, whole, part, one_row, row):
    """Fill ``row`` with a padded row of mass, ``whole`` and a ``part`` of a node further down."""
    one_row[:] = 0.0
    _add_shifted(one_row, mass, 1.0 - part, whole)
    _add_shifted(one_row, mass, part, whole + 1)
    _onto_grid(one_row, row)


@_compiled
def _wear(belief, scratch, dt_y):
    """Shift each pace's row down by its wear; carry the pump's own numbers along.

    ``scratch.moments``: mass, then mass times cap, its square, build, its square, and how far
    the starved have fallen.
    """
    q, m, mass, moving = scratch.p, scratch.moments, scratch.mass, scratch.moving
    carried, shifted, one_row = scratch.carried, scratch.shifted, scratch.one_row
    for i in range(N_RESERVES):
        belief.var_cap[i] += belief.cap[i] * belief.cap[i]
        belief.var_build[i] += belief.build[i] * belief.build[i]
    m[0] = 0.0
    furthest = 0
    for k in range(N_ROWS):
        loss = (WEAR_PER_Y[k] if k < N_PACES else _STARVATION_PER_Y) * dt_y
        shift = loss / _DX
        whole = int(shift)
        part = shift - whole
        row, new = q[k], belief.p[k]
        # The pump's own numbers are the same for all paces: mass that moves alike moves as one.
        for places in range(furthest, whole + 2):
            moving[places] = 0.0
        furthest = max(furthest, whole + 2)
        _add(moving[whole], row, 1.0 - part)
        _add(moving[whole + 1], row, part)
        _load(mass, row, _ONES)
        _shift(mass, whole, part, one_row, new)
        _add(m[0], new, 1.0)
        if k == SUPPLY:
            _load(mass, row, belief.starved + loss)
            _shift(mass, whole, part, one_row, m[5])
    scratch.flat_shifted[:] = 0.0
    for places in range(furthest):
        row = moving[places]
        _load(carried[0], row, belief.cap)
        _load(carried[1], row, belief.var_cap)
        _load(carried[2], row, belief.build)
        _load(carried[3], row, belief.var_build)
        _add_shifted(scratch.flat_shifted, scratch.flat_carried, 1.0, places)
    for a in range(4):
        _onto_grid(shifted[a], m[a + 1])


@_compiled
def _add(target, source, share):
    for i in range(N_RESERVES):
        target[i] += share * source[i]


@_compiled
def _load(target, mass, value):
    nodes = target[_PAD:]
    for i in range(N_RESERVES):
        nodes[i] = mass[i] * value[i]


@_compiled
def _starve(belief, scratch, entering, leaving):
    """Move mass into the supply row, lower down, and out of it again to where it came from.

    What leaves goes to ``scratch.jumped``.
    """
    p, m, px, jumped = belief.p, scratch.moments, scratch.px, scratch.jumped
    gap = int(_SMALLEST_STARVATION / _DX) + 1
    keep = math.exp(-_DX / _MEAN_STARVATION)
    for i in range(N_RESERVES):
        jumped[i] = 0.0
        px[i] = m[0, i] - p[SUPPLY, i]
    falling = distance = 0.0
    for i in range(N_RESERVES - 1, -1, -1):
        distance = keep * (distance + _DX * falling)
        falling *= keep
        if i + gap < N_RESERVES:
            arriving = px[i + gap] * (1.0 - keep)
            falling += arriving
            distance += arriving * gap * _DX
        here = p[SUPPLY, i]
        # Mass of the row and mean distance fallen, both before anything leaves.
        far = m[5, i] / here if here > _TRACE else _MEAN_STARVATION
        back = min(i + int(far / _DX + 0.5), N_RESERVES - 1)
        jumped[back] += leaving * here
        p[SUPPLY, i] = (1.0 - leaving) * here + entering * falling
        belief.starved[i] = ((1.0 - leaving) * here * far + entering * distance) / max(
            p[SUPPLY, i], _TRACE
        )
    for k in range(N_PACES):
        for i in range(N_RESERVES):
            p[k, i] *= 1.0 - entering


@_compiled
def _jump_and_wander(belief, scratch, damage, recovery, wander):
    """Spread a little mass far down, some up, and a little to the neighbours.

    What jumps takes a fresh pace of wear and the pump's own numbers at their overall mean.
    """
    p, q, m = belief.p, scratch.p, scratch.moments
    px, jumped, stays = scratch.px, scratch.jumped, scratch.stays
    gap = int(_SMALLEST_DAMAGE / _DX) + 1
    keep_down = math.exp(-_DX / _MEAN_DAMAGE)
    falling = rising = 0.0
    for i in range(N_RESERVES - 1, -1, -1):
        falling *= keep_down
        if i + gap < N_RESERVES:
            falling += px[i + gap] * (1.0 - keep_down)
        jumped[i] += damage * falling
    for i in range(_GAIN_GAP, N_RESERVES):
        rising = rising * _KEEP_GAINING + px[i - _GAIN_GAP] * (1.0 - _KEEP_GAINING)
        jumped[i] += recovery * rising * scratch.had_more[i]
    for i in range(N_RESERVES):
        stays[i] = (1.0 - damage) * (1.0 - recovery * scratch.can_gain[i])
    cap_1 = cap_2 = build_1 = build_2 = 0.0
    for i in range(N_RESERVES):
        cap_1 += m[1, i]
        cap_2 += m[2, i]
        build_1 += m[3, i]
        build_2 += m[4, i]
    total = 0.0
    for k in range(N_ROWS):
        fresh = scratch.first_paces[k]
        for i in range(N_RESERVES):
            kept = stays[i] if k < N_PACES else 1.0
            q[k, i] = kept * p[k, i] + fresh * jumped[i]
            total += q[k, i]
    for i in range(N_RESERVES):
        # A node nothing reaches keeps a trace of the overall mean, so that it has numbers.
        fallen = jumped[i] + p[SUPPLY, i] + _TRACE
        stay = stays[i]
        one = 1.0 / (stay * m[0, i] + fallen)
        cap = (stay * m[1, i] + fallen * cap_1) * one
        build = (stay * m[3, i] + fallen * build_1) * one
        belief.cap[i] = cap
        belief.build[i] = build
        belief.var_cap[i] = max((stay * m[2, i] + fallen * cap_2) * one - cap * cap, 1e-8)
        belief.var_build[i] = max((stay * m[4, i] + fallen * build_2) * one - build * build, 1e-8)
    at_home = (1.0 - 2.0 * wander) / total
    aside = wander / total
    last = N_RESERVES - 1
    for k in range(N_ROWS):
        for i in range(1, last):
            p[k, i] = at_home * q[k, i] + aside * (q[k, i - 1] + q[k, i + 1])
        p[k, 0] = (at_home + aside) * q[k, 0] + aside * q[k, 1]
        p[k, last] = (at_home + aside) * q[k, last] + aside * q[k, last - 1]


@_compiled
def _heed(p, found):
    """Weigh the belief by what a workshop found when it looked: at the pump, at the filter."""
    for i in range(N_RESERVES):
        if found & FOUND_SOUND:
            # A starved pump is sound itself, whatever it reaches.
            p[SUPPLY, i] *= _SOUND_AT_BEST / _CALLED_SOUND[i]
        if found & FOUND_CLOGGED:
            p[SUPPLY, i] *= _CLOGGED_CALLED_WORN / _CLEAN_CALLED_WORN
    _reweigh(p, _CALLED_SOUND if found & FOUND_SOUND else _UNWEIGHED)


@_compiled
def _advance(belief, scratch, dt_y, repaired, rate, c):
    """Move the belief ``dt_y`` years on; returns the log of how likely it was to last so long.

    ``repaired``: a sum of ``Repair``. ``rate``: how often a pump of each reserve strands its
    vehicle. [1/y]
    """
    lasted = 0.0
    left = dt_y
    while left > 0.0 or repaired > 0:
        starved_on, leaks_on = 1.0, 1.0
        if repaired & (FOUND_SOUND | FOUND_CLOGGED):
            _heed(belief.p, repaired)
        if repaired & SUPPLY_REPAIRED:
            starved_on = 1.0 - _FILTER_CHANCE
        if repaired & LEAKS_REPAIRED:
            leaks_on = 1.0 - c.mended_by_repair
        step = max(min(left, _LONGEST_STEP_Y), 0.0)
        _change_pace(
            belief.p,
            scratch.p,
            1.0 - math.exp(-c.wear_onset_per_y * step),
            scratch.quickening,
            1.0 - math.exp(-c.wear_relief_per_y * step),
            scratch.px,
            step,
        )
        _wear(belief, scratch, step)
        _starve(
            belief,
            scratch,
            1.0 - math.exp(-c.starvation_per_y * step),
            1.0 - math.exp(-_UNRECORDED_FILTERS_PER_Y * step) * starved_on,
        )
        _jump_and_wander(
            belief,
            scratch,
            1.0 - math.exp(-c.damage_per_y * step),
            1.0 - math.exp(-c.recovery_per_y * step) * leaks_on,
            min(0.5 * c.wander_per_sqrt_y**2 * step / _DX**2, 0.2),
        )
        for i in range(N_RESERVES):
            belief.var_build[i] += c.build_wander_per_sqrt_y**2 * step
        lasted += _outlast(belief.p, scratch, rate, step)
        repaired = 0
        left -= step
    return lasted


@_compiled
def _exp_of_negative(x):
    """e^x for x <= 0 to 4e-6 of itself at -10, without a call, so that a loop over it is vectors.

    e^(x/64) by its series, squared six times; e^-60 is nothing here.
    """
    y = (x if x > -60.0 else -60.0) * (1.0 / 64.0)
    e = 1.0 + y * (1.0 + y * (0.5 + y * (1 / 6 + y * (1 / 24 + y * (1 / 120 + y * (1 / 720))))))
    e *= e
    e *= e
    e *= e
    e *= e
    e *= e
    return e * e


@_compiled
def _log_1_plus(e):
    """ln(1 + e) for e from 0 to 1, to 1e-7: twice the series of atanh(e / (2 + e))."""
    s = e / (2.0 + e)
    t = s * s
    return 2.0 * s * (1.0 + t * (1 / 3 + t * (1 / 5 + t * (1 / 7 + t * (1 / 9 + t / 11)))))


@_compiled
def _ln_build_share(shares, ln_reach):
    """ln of the mean build rate over the window, as a share of that at zero pressure."""
    inside = min(max(ln_reach, LN_REACH_LOW), LN_REACH_HIGH)
    place = (inside - LN_REACH_LOW) / LN_REACH_STEP
    i = int(place)
    part = place - i
    return shares[i] * (1.0 - part) + shares[i + 1] * part


@_compiled
def _ln_build_shares(shares, to_reach, share, slope):
    """Fill, per node: ``_ln_build_share`` at its reach, and how that changes with ln reach."""
    for i in range(N_RESERVES):
        share[i] = _ln_build_share(shares, LN_RESERVE[i] + to_reach)
    last = N_RESERVES - 1
    for i in range(1, last):
        slope[i] = (share[i + 1] - share[i - 1]) * (0.5 / _DX)
    slope[0] = (share[1] - share[0]) / _DX
    slope[last] = (share[last] - share[last - 1]) / _DX


@_compiled
def _normal_density(error, inverse, like):
    """Fill the density of each error, given 1 / its variance."""
    for i in range(N_RESERVES):
        density = _exp_of_negative(-0.5 * error[i] * error[i] * inverse[i])
        like[i] = density * math.sqrt(inverse[i]) * (1.0 / _SQRT_2PI)


@_compiled
def _explain_ratio(belief, y, var_y, var_reach, sharpness, shift, nodes):
    """Fill rows 0 to 3 of ``nodes``: y less what is expected, the cap's part in that, 1 / variance,
    density."""
    cap, var_cap = belief.cap, belief.var_cap
    error, slope, inverse, like = nodes[0], nodes[1], nodes[2], nodes[3]
    for i in range(N_RESERVES):
        # The soft minimum of cap and reach.
        z = sharpness * (cap[i] - shift - LN_RESERVE[i])
        e = _exp_of_negative(-abs(z))
        one = 1.0 / (1.0 + e)
        error[i] = y - cap[i] + (max(z, 0.0) + _log_1_plus(e)) / sharpness
        slope[i] = e * one if z > 0.0 else one
    # The reserve lies anywhere in its bin, not only at the node.
    var_reach += _DX * _DX / 12.0
    for i in range(N_RESERVES):
        reached = 1.0 - slope[i]
        inverse[i] = 1.0 / (
            var_y + slope[i] * slope[i] * var_cap[i] + reached * reached * var_reach
        )
    _normal_density(error, inverse, like)


@_compiled
def _explain_build(var_build, var_b, var_kit, var_reach, slope, error, inverse, like):
    """Fill, per node: 1 / variance and density of a build rate off by ``error``."""
    for i in range(N_RESERVES):
        by_kit = 1.0 + slope[i]
        inverse[i] = 1.0 / (
            var_b + var_build[i] + by_kit * by_kit * var_kit + slope[i] * slope[i] * var_reach
        )
    _normal_density(error, inverse, like)


@_compiled
def _miss_build(belief, known, volumetric_share, starved, share, error):
    """Fill, per node: build rate less what is expected, of a worn or a starved pump."""
    build, lost = belief.build, belief.starved
    for i in range(N_RESERVES):
        error[i] = known - build[i] - share[i] - volumetric_share * LN_RESERVE[i]
    if starved == 1:
        # Starved of flow, a pump's build rate falls as its reserve, not by a share of it.
        for i in range(N_RESERVES):
            error[i] += (1.0 - volumetric_share) * lost[i]


@_compiled
def _correct(mean, variance, d_mean, d_variance, scale):
    """Move a number of the pump, per node, by what the record says of it."""
    for i in range(N_RESERVES):
        mean[i] += variance[i] * d_mean[i] * scale[i]
    for i in range(N_RESERVES):
        variance[i] *= 1.0 - variance[i] * d_variance[i] * scale[i]


@_compiled
def _weigh(belief, scratch, r, j, windows, c):
    """Weigh the belief by record ``j``; returns the log of the record's predictive density.

    ``scratch.out``: chance that the ratio, and that the build rate, is botched; the ratio's
    residual and its variance.
    """
    y, b = r.ln_ratio[j], r.ln_build[j]
    slipped = r.slipped[j] > 0.0
    has_ratio, has_build = not (math.isnan(y) or slipped), not math.isnan(b)
    out = scratch.out
    out[:] = math.nan
    out[0] = 1.0 if slipped else 0.0
    out[1] = 0.0
    if not has_ratio and not has_build:
        return 0.0
    ln_kit, var_kit = r.ln_kit[j], r.var_ln_kit[j]
    y -= ln_kit
    b -= ln_kit + c.stiffness_power * r.ln_viscosity[j] + windows.ln_habit[r.window[j]]
    var_y = c.sd_ratio**2 + var_kit
    var_b = c.sd_build**2 + r.var_ln_speed[j]
    var_b += c.stiffness_power**2 * r.var_ln_viscosity[j]
    e_r = c.p_botched_ratio if has_ratio else 0.0
    e_b = c.p_botched_build if has_build else 0.0
    e_rb = c.p_botched_both
    wide_r = wide_b = 1.0
    shares = windows.ln_shares[r.window[j]]
    share_new = 0.0
    if has_ratio:
        z = (y - _BOTCHED_LN_RATIO) / _BOTCHED_LN_RATIO_SD
        wide_r = math.exp(-0.5 * z * z) / (_BOTCHED_LN_RATIO_SD * _SQRT_2PI)
    if has_build:
        share_new = _ln_build_share(windows.ln_shares[0], c.ln_reserve_new)
        share_new += math.log1p(c.stiffening * windows.middle[0])
        # The watch starts and stops at what the kit shows: the whole window is off with it.
        share_new -= math.log1p(c.stiffening * windows.middle[r.window[j]] * math.exp(-ln_kit))
        z = (b - c.ln_build_new + _BOTCHED_LN_BUILD_DROP) / _BOTCHED_LN_BUILD_SD
        wide_b = math.exp(-0.5 * z * z) / (_BOTCHED_LN_BUILD_SD * _SQRT_2PI)
    shift = r.ln_speed[j] + c.viscosity_power * (r.ln_viscosity[j] + c.winter_fuel * r.season[j])
    sd_shift = math.sqrt(r.var_ln_speed[j] + c.viscosity_power**2 * r.var_ln_viscosity[j])
    n_nodes = 3 if sd_shift > 1e-3 else 1
    var_reach = c.sd_reach**2 + _VARIANCE_WITHIN * sd_shift**2
    if has_ratio:
        # What reaches less than the lowest reserve of the grid is there, not unexplained: a
        # pump that hardly builds any pressure is the worst of pumps, not a botched test. Cold
        # fuel can take even that reserve to its cap; a reading there is not to be touched.
        y = max(y, min(LN_RESERVE[0] + shift, c.ln_cap - _WELL_BELOW_CAP))
    p, n = belief.p, scratch.nodes
    error_r, slope, inv_r, like_r = n[0], n[1], n[2], n[3]
    error_b, inv_b, like_b, share = n[4], n[5], n[6], n[7]
    d_cap, d_var_cap, d_build, d_var_build, at_node = n[8], n[9], n[10], n[11], n[12]
    share_slope = n[17]
    n[8:] = 0.0
    like_r[:] = like_b[:] = 1.0
    error_r[:] = error_b[:] = slope[:] = inv_r[:] = inv_b[:] = 0.0
    for k in range(N_ROWS):
        _add(n[13 if k < N_PACES else 14], p[k], 1.0)
    honest = 1.0 - e_r - e_b - e_rb
    both = e_rb * wide_r * wide_b
    total = botched_r = botched_b = 0.0
    mass = res_r = res_r2 = 0.0
    known = b - r.ln_speed[j] + share_new + c.volumetric_share * c.ln_reserve_new
    for q in range(n_nodes):
        w = _WEIGHTS[q] if n_nodes > 1 else 1.0
        to_reach = shift + _NODES[q] * sd_shift
        if has_ratio:
            _explain_ratio(belief, y, var_y, var_reach, c.cap_sharpness, to_reach, n)
        if has_build:
            _ln_build_shares(shares, to_reach + ln_kit, share, share_slope)
        for starved in range(2):
            px, like = n[13 + starved], n[15 + starved]
            # One that is starved as it is does not lose reach in passing as well.
            as_it_is = honest - (0.0 if starved == 1 else c.p_passing_loss)
            if has_build:
                _miss_build(belief, known, c.volumetric_share, starved, share, error_b)
                _explain_build(
                    belief.var_build, var_b, var_kit, var_reach, share_slope, error_b, inv_b, like_b
                )
            for i in range(N_RESERVES):
                like[i] += w * (
                    like_b[i] * (as_it_is * like_r[i] + e_r * wide_r)
                    + e_b * wide_b * like_r[i]
                    + both
                )
            for i in range(N_RESERVES):
                botched_r += w * px[i] * (e_r * wide_r * like_b[i] + both)
                botched_b += w * px[i] * (e_b * wide_b * like_r[i] + both)
            if has_ratio:
                for i in range(N_RESERVES):
                    here = w * px[i]
                    mass += here
                    res_r += here * error_r[i]
                    res_r2 += here * (error_r[i] * error_r[i] + 1.0 / inv_r[i])
                for i in range(N_RESERVES):
                    sound = w * px[i] * like_r[i] * (as_it_is * like_b[i] + e_b * wide_b)
                    d_cap[i] += sound * slope[i] * inv_r[i] * error_r[i]
                for i in range(N_RESERVES):
                    sound = w * px[i] * like_r[i] * (as_it_is * like_b[i] + e_b * wide_b)
                    d_var_cap[i] += sound * slope[i] * slope[i] * inv_r[i]
            if has_build:
                for i in range(N_RESERVES):
                    sound = w * px[i] * like_b[i] * (as_it_is * like_r[i] + e_r * wide_r)
                    d_build[i] += sound * inv_b[i] * error_b[i]
                for i in range(N_RESERVES):
                    sound = w * px[i] * like_b[i] * (as_it_is * like_r[i] + e_r * wide_r)
                    d_var_build[i] += sound * inv_b[i]
    # What was lost in this run only: by a leak, or as flow, which takes the climb with it.
    px, like = n[13], n[15]
    var_reach = c.sd_reach**2 + sd_shift**2 + _VAR_PASSING
    for m in range(len(_PASSING_LOSS)):
        to_reach = shift - _PASSING_LOSS[m]
        if has_ratio:
            _explain_ratio(belief, y, var_y, var_reach, c.cap_sharpness, to_reach, n)
        if has_build:
            _ln_build_shares(shares, to_reach + ln_kit, share, share_slope)
            _miss_build(belief, known, c.volumetric_share, 0, share, error_b)
        e_passing = 0.5 * c.p_passing_loss * _OF_PASSING[m]
        for of_flow in range(2):
            if has_build:
                if of_flow == 1:
                    error_b += _PASSING_LOSS[m]
                _explain_build(
                    belief.var_build,
                    var_b + of_flow * _VAR_PASSING,
                    var_kit,
                    var_reach,
                    share_slope,
                    error_b,
                    inv_b,
                    like_b,
                )
            for i in range(N_RESERVES):
                here = e_passing * like_r[i] * like_b[i]
                like[i] += here
                # A ratio that the cap holds all the same shows nothing of it.
                botched_r += px[i] * here * (1.0 - slope[i])
                botched_b += px[i] * here
    for starved in range(2):
        px, like = n[13 + starved], n[15 + starved]
        for i in range(N_RESERVES):
            at_node[i] += px[i] * like[i]
    for i in range(N_RESERVES):
        total += at_node[i]
        at_node[i] = 1.0 / max(at_node[i], _TINY)
    _correct(belief.cap, belief.var_cap, d_cap, d_var_cap, at_node)
    _correct(belief.build, belief.var_build, d_build, d_var_build, at_node)
    one = 1.0 / total
    for k in range(N_ROWS):
        row, like = p[k], n[15 if k < N_PACES else 16]
        for i in range(N_RESERVES):
            new = row[i] * like[i] * one
            row[i] = new if new > _NOTHING else 0.0
    if has_ratio:
        out[0] = botched_r / total
        out[2] = res_r / mass
        out[3] = res_r2 / mass - out[2] ** 2
    if has_build:
        out[1] = botched_b / total
    return math.log(total)


@_compiled
def _mass(p, px):
    """Fill ``px`` with the probability of each node."""
    px[:] = 0.0
    for k in range(N_ROWS):
        _add(px, p[k], 1.0)


@_compiled
def _share_below(px, ln_level):
    """Probability that ln reserve is below ``ln_level``; nodes are bins of one grid step."""
    total = 0.0
    for i in range(N_RESERVES):
        share = (ln_level - LN_RESERVE[i]) / _DX + 0.5
        total += px[i] * min(max(share, 0.0), 1.0)
    return total


@_compiled
def _ln_reserve_point(px, share):
    below = 0.0
    for i in range(N_RESERVES):
        here = px[i]
        if below + here >= share:
            return LN_RESERVE[i] + _DX * ((share - below) / here - 0.5)
        below += here
    return LN_RESERVE[-1]


@_compiled
def _expect(p, table):
    """Return the belief's mean of a number given for every cell."""
    total = 0.0
    for k in range(N_ROWS):
        for i in range(N_RESERVES):
            total += p[k, i] * table[k, i]
    return total


@_compiled
def _strands_per_y(c, ln_limit, rate):
    """Fill, per node: how often a pump of that reserve strands its vehicle. [1/y]"""
    for i in range(N_RESERVES):
        over = (LN_RESERVE[i] - ln_limit + c.strands_below_limit) / _STRANDS_WITHIN
        rate[i] = _STRANDS_ANYWAY_PER_Y + c.strands_per_y / (1.0 + math.exp(over))


@_compiled
def _reweigh(p, factor):
    """Multiply the belief by a factor per node, to a sum of 1 again; returns the log of its sum."""
    total = 0.0
    for k in range(N_ROWS):
        for i in range(N_RESERVES):
            p[k, i] *= factor[i]
            total += p[k, i]
    p /= total
    return math.log(total)


@_compiled
def _outlast(p, scratch, rate, dt_y):
    """Weigh the belief by having run ``dt_y`` on; returns the log of how likely that was."""
    lasts = scratch.px
    for i in range(N_RESERVES):
        lasts[i] = _exp_of_negative(-rate[i] * dt_y)
    return _reweigh(p, lasts)


@_compiled
def weigh_lives(first, last, offsets, start_y, failed_y, r, windows, c, ln_limit, evidence):
    """Fill ``evidence`` of pumps ``first`` to ``last``: of their records and of their fates.

    A pump that is tested again has not stranded its vehicle until then; one that has
    (``failed_y``, else NaN) was most likely below the limit.
    """
    scratch = _new_scratch(c)
    rate = np.zeros(N_RESERVES)
    _strands_per_y(c, ln_limit, rate)
    for n in range(first, last):
        belief = _new_belief(c)
        now = start_y[n]
        told = 0.0
        for j in range(offsets[n], offsets[n + 1]):
            told += _advance(belief, scratch, r.at_y[j] - now, r.repaired[j], rate, c)
            now = max(r.at_y[j], now)
            told += _weigh(belief, scratch, r, j, windows, c)
        if failed_y[n] >= now:
            told += _advance(belief, scratch, failed_y[n] - now, 0, rate, c)
            # It strands its vehicle now.
            told += _reweigh(belief.p, rate)
        evidence[n] = told


@_compiled
def tabulate_below(c, ln_limit, times_y, below):
    """Fill ``below[m, k, i]``: chance of being below the limit at time m from each cell."""
    scratch = _new_scratch(c)
    belief = _new_belief(c)
    never = np.zeros(N_RESERVES)
    for k in range(N_ROWS):
        for i in range(N_RESERVES):
            belief.p[:] = 0.0
            belief.p[k, i] = 1.0
            before = 0.0
            for m in range(len(times_y)):
                _advance(belief, scratch, times_y[m] - before, 0, never, c)
                before = times_y[m]
                _mass(belief.p, scratch.px)
                below[m, k, i] = _share_below(scratch.px, ln_limit)


@_compiled
def run_pumps(
    first,
    last,
    offsets,
    start_y,
    failed_y,
    end_y,
    end_repaired,
    r,
    windows,
    c,
    ln_limit,
    ahead,
    rec,
    pump,
):
    """Run the filter over pumps ``first`` to ``last`` and fill ``rec`` and ``pump``.

    ``failed_y`` is as for ``weigh_lives``; a failure after ``end_y`` is not looked at.
    """
    scratch = _new_scratch(c)
    out, px = scratch.out, scratch.px
    rate, never = np.zeros(N_RESERVES), np.zeros(N_RESERVES)
    _strands_per_y(c, ln_limit, rate)
    for n in range(first, last):
        belief = _new_belief(c)
        now = start_y[n]
        evidence = 0.0
        for j in range(offsets[n], offsets[n + 1]):
            _advance(belief, scratch, r.at_y[j] - now, r.repaired[j], rate, c)
            now = max(r.at_y[j], now)
            evidence += _weigh(belief, scratch, r, j, windows, c)
            rec.p_botched_ratio[j] = out[0]
            rec.p_botched_build[j] = out[1]
            rec.ratio_residual[j] = out[2]
            rec.var_ratio_residual[j] = out[3]
            rec.p_worn[j] = _expect(belief.p, ahead.worn)
            _mass(belief.p, px)
            rec.p_below[j] = _share_below(px, ln_limit)
            mean = 0.0
            for i in range(N_RESERVES):
                mean += px[i] * LN_RESERVE[i]
            rec.ln_reserve[j] = mean
        # Silence after a test may be a vehicle laid up, and must not clear a pump.
        silent = rate if offsets[n] == offsets[n + 1] else never
        if now <= failed_y[n] <= end_y[n]:
            _advance(belief, scratch, failed_y[n] - now, 0, rate, c)
            _reweigh(belief.p, rate)
            now, silent = failed_y[n], never
        _advance(belief, scratch, end_y[n] - now, end_repaired[n], silent, c)
        pump.log_evidence[n] = evidence
        _mass(belief.p, px)
        pump.p_below[n] = _share_below(px, ln_limit)
        pump.p_worn[n] = _expect(belief.p, ahead.worn)
        for m in range(len(ahead.below_at)):
            pump.p_below_at[n, m] = _expect(belief.p, ahead.below_at[m])
        cap = cap_2 = wear = 0.0
        for k in range(N_ROWS):
            for i in range(N_RESERVES):
                cap += belief.p[k, i] * belief.cap[i]
                cap_2 += belief.p[k, i] * (belief.var_cap[i] + belief.cap[i] ** 2)
                wear += belief.p[k, i] * (WEAR_PER_Y[k] if k < N_PACES else 0.0)
        pump.wear_per_y[n] = wear
        pump.p_starved[n] = belief.p[SUPPLY].sum()
        var_cap = max(cap_2 - cap * cap, 0.0)
        for q in range(3):
            x = _ln_reserve_point(px, 0.1 + 0.4 * q)
            pump.ln_reserve[n, q] = x
            z = min(c.cap_sharpness * (cap - x), 700.0)
            pump.ln_ratio[n, q] = cap - math.log1p(math.exp(z)) / c.cap_sharpness
        # The cap and the scatter of a test add to what the reserve leaves open.
        slope = 1.0 / (1.0 + math.exp(min(c.cap_sharpness * (cap - pump.ln_reserve[n, 1]), 700.0)))
        aside = _Z_90**2 * (slope * slope * var_cap + c.sd_ratio**2)
        middle = pump.ln_ratio[n, 1]
        pump.ln_ratio[n, 0] = middle - math.sqrt((middle - pump.ln_ratio[n, 0]) ** 2 + aside)
        pump.ln_ratio[n, 2] = middle + math.sqrt((pump.ln_ratio[n, 2] - middle) ** 2 + aside)
