"""What the fleet teaches: each family's constants, by the evidence of its own records.

The constants maximise the probability the filter gives to the records and fates of a sample of
pumps, times their priors (empirical Bayes). Each pump's log evidence has its own gradient, and
the sum of their outer products about their mean stands for the curvature (E. Berndt, B. Hall,
R. Hall and J. Hausman, Annals of Economic and Social Measurement 3, 653-665, 1974; from
memory). Constants pull on the same records (a reserve, the softness of the cap and the power of
viscosity hardly differ in what they do to a capped ratio), so a search one constant at a time
stops short on the ridge.

What is learnt is kept for half a year (``teaching``), so that a pump's verdict moves with its
own tests and not with the constants, and a past date's verdict can be reproduced.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, Readings
from fleetdb.trend.build_windows import Windows
from fleetdb.trend.constants import PRIORS, FamilyConstants, log_prior, prior_constants
from fleetdb.trend.filtering import evidence_of_lives
from fleetdb.trend.series import Series

_NAMES = ("ln_build_new", *PRIORS)
_SD_LN_BUILD_NEW = 0.1  # its unit in the search; it has no prior
_TINY = 1e-3
_MOST_STEPS = 25
_WORTH_A_STEP = 2.0
# In prior sds, then in those of what is known by now: a longer one strays from the ridge.
_FIRST_PROBE, _PROBE_OF_SD = 0.02, 0.02
_SHORTEST_STRIDE, _LONGEST_STRIDE = 1e-3, 8.0
# Far from the top, one pump in so many shows the way as well as all.
_ONE_IN_AT_FIRST, _FEWEST_RECORDS_TO_THIN = 4, 500
_FEWEST_RECORDS = 60
_MOST_RECORDS = 5_400
_FEWEST_TESTS_OF_A_PUMP = 3
_DECIMALS = 9
# Stopwatches and needles are some per cent off: common practice, no source.
_SD_HABIT, _FURTHEST_HABIT = 0.03, 0.3
_MOST_WORKSHOPS, _FEWEST_BUILDS = 8, 40


@dataclass(frozen=True)
class Sample:
    """Some pumps of a family, cut at a time, laid out for the filter."""

    readings: Readings
    windows: Windows
    offsets: NDArray[np.int64]
    start_y: Floats
    failed_y: Floats

    def one_in(self, n: int) -> Sample:
        """Return every ``n``-th pump."""
        counts = np.diff(self.offsets)
        own = np.arange(len(counts)) % n == 0
        return Sample(
            readings=self.readings.rows(np.repeat(own, counts)),
            windows=self.windows,
            offsets=np.concatenate([[0], np.cumsum(counts[own])]).astype(np.int64),
            start_y=self.start_y[own],
            failed_y=self.failed_y[own],
        )


def sample_of(series: Series) -> Sample:
    """Return pumps with tests enough, evenly spread, with some ``_MOST_RECORDS`` records.

    Rounded: what threads sum up (usual temperatures, kits) differs in its last digits from run
    to run, and a search that began with another digit would end a little elsewhere.
    """
    counts = np.diff(series.offsets)
    enough = np.flatnonzero(counts >= _FEWEST_TESTS_OF_A_PUMP)
    share = min(_MOST_RECORDS / max(int(counts[enough].sum()), 1), 1.0)
    some = series.of_pumps(series.evenly_chosen(enough, math.ceil(share * len(enough))))
    return Sample(
        readings=Readings._make(np.round(values, _DECIMALS) for values in some.readings),
        windows=some.windows,
        offsets=some.offsets,
        start_y=some.start_y,
        failed_y=some.failed_y,
    )


def starting_constants(series: Series) -> FamilyConstants:
    """Return the prior constants with the build rate set to the family's median.

    Where the family has no build rate yet any value serves: nothing is compared with it.
    """
    known = series.readings.ln_build[~np.isnan(series.readings.ln_build)]
    return prior_constants(float(np.median(known)) if len(known) else math.log(200.0))


@dataclass(frozen=True)
class Learnt:
    """What a sample of a family's records teaches."""

    constants: FamilyConstants
    habits: dict[int, float]
    """How workshops time (``timing_habits``), by their number; those with too few rates are not
    there."""


def learn(sample: Sample, start: FamilyConstants, limit: float) -> Learnt:
    """Return what explains ``sample`` best; ``start``, and no habits, where it is too small."""
    if len(sample.readings.at_y) < _FEWEST_RECORDS:
        return Learnt(start, {})
    search = _Search(start, _workshops_heard(sample), limit)
    place = np.append(_place(start), np.zeros(search.n_habits))
    if len(sample.readings.at_y) >= _ONE_IN_AT_FIRST * _FEWEST_RECORDS_TO_THIN:
        place = search.climb(sample.one_in(_ONE_IN_AT_FIRST), place, 5.0 * _WORTH_A_STEP)
    return search.learnt_at(search.climb(sample, place, _WORTH_A_STEP))


def _workshops_heard(sample: Sample) -> NDArray[np.int64]:
    """Return the numbers of the workshops with build rates enough to show a habit."""
    timed = sample.readings.window[~np.isnan(sample.readings.ln_build)]
    whose = sample.windows.workshop[timed]
    builds = np.bincount(whose[whose >= 0])
    most = np.argsort(-builds, kind="stable")[:_MOST_WORKSHOPS]
    return most[builds[most] >= _FEWEST_BUILDS]


class _Search:
    """A climb to what explains a sample best.

    Its coordinates are those of ``_place``, then the habits of ``workshops``.
    """

    def __init__(self, start: FamilyConstants, workshops: NDArray[np.int64], limit: float) -> None:
        self._start, self._workshops, self._limit = start, workshops, limit
        self.n_habits = len(workshops)
        furthest = np.full(self.n_habits, _FURTHEST_HABIT / _SD_HABIT)
        low, high = _limits(start)
        self._low, self._high = np.append(low, -furthest), np.append(high, furthest)
        self._centre = np.append(
            _place(prior_constants(start.ln_build_new)), np.zeros(self.n_habits)
        )
        self._precision = np.ones(len(self._centre))
        self._precision[_NAMES.index("ln_build_new")] = _TINY

    def learnt_at(self, place: Floats) -> Learnt:
        """Return what ``place`` stands for."""
        levels = (place[len(_NAMES) :] * _SD_HABIT).tolist()
        return Learnt(
            _at(place[: len(_NAMES)], self._start),
            dict(zip(self._workshops.tolist(), levels, strict=True)),
        )

    def climb(self, sample: Sample, place: Floats, worth_a_step: float) -> Floats:
        """Return where, from ``place`` on, two steps running gain less than ``worth_a_step``."""
        worth = self._worth(sample, place)
        probe = np.full(len(place), _FIRST_PROBE)
        poor_steps = 0
        for _ in range(_MOST_STEPS):
            gradients = self._gradients(sample, place, probe)
            # About their mean: far from the top most pumps pull one way, which is no curvature.
            spread = gradients - gradients.mean(axis=0)
            curvature = spread.T @ spread + np.diag(self._precision)
            uphill = gradients.sum(axis=0) - self._precision * (place - self._centre)
            way = self._way(place, curvature, uphill)
            before = worth
            place, worth = self._walk(sample, place, worth, way)
            poor_steps = poor_steps + 1 if worth - before < worth_a_step else 0
            if poor_steps == 2:
                break
            sd = 1.0 / np.sqrt(np.diag(curvature))
            probe = np.minimum(_PROBE_OF_SD * sd, _FIRST_PROBE)
        return place

    def _evidence(self, sample: Sample, place: Floats) -> Floats:
        """Return the log evidence of each pump, shape (n_pumps,)."""
        learnt = self.learnt_at(place)
        habit = np.zeros(len(sample.windows.middle))
        for workshop, level in learnt.habits.items():
            habit[sample.windows.workshop == workshop] = level
        return evidence_of_lives(
            sample.readings,
            sample.windows._replace(ln_habit=habit),
            sample.offsets,
            sample.start_y,
            sample.failed_y,
            learnt.constants,
            self._limit,
        )

    def _worth(self, sample: Sample, place: Floats) -> float:
        habits = place[len(_NAMES) :]
        prior = log_prior(_at(place[: len(_NAMES)], self._start)) - 0.5 * float(habits @ habits)
        return prior + float(self._evidence(sample, place).sum())

    def _gradients(self, sample: Sample, place: Floats, probe: Floats) -> Floats:
        """Return each pump's own gradient, shape (n_pumps, n_coordinates)."""
        here = self._evidence(sample, place)
        # A probe goes inwards from a limit.
        ways = np.where(place + probe <= self._high, probe, -probe)
        return np.column_stack(
            [(self._evidence(sample, place + way) - here) / way.sum() for way in np.diag(ways)]
        )

    def _way(self, place: Floats, curvature: Floats, uphill: Floats) -> Floats:
        """Return Newton's step; what is at a limit and would go beyond takes no part in it."""
        held = ((place <= self._low) & (uphill < 0)) | ((place >= self._high) & (uphill > 0))
        free = np.flatnonzero(~held)
        way = np.zeros(len(place))
        way[free] = np.linalg.solve(curvature[np.ix_(free, free)], uphill[free])
        return way

    def _walk(
        self, sample: Sample, place: Floats, worth: float, way: Floats
    ) -> tuple[Floats, float]:
        """Return the best place found along ``way``, and its worth."""
        began, before, stride = place, worth, 1.0
        while _SHORTEST_STRIDE < stride <= _LONGEST_STRIDE:
            trial = np.clip(began + stride * way, self._low, self._high)
            trial_worth = self._worth(sample, trial)
            if trial_worth > worth:
                place, worth = trial, trial_worth
                if stride < 1.0:
                    break
                # A gradient costs as much as thirty looks further along it.
                stride *= 2.0
            elif worth > before:
                break
            else:
                stride *= 0.4
        return place, worth


def _place(constants: FamilyConstants) -> Floats:
    """Return constants in the search's coordinates: prior sds, of the logarithm if so said."""
    return np.array([_coordinate(name, getattr(constants, name)) for name in _NAMES])


def _coordinate(name: str, value: float) -> float:
    if name not in PRIORS:
        return value / _SD_LN_BUILD_NEW
    prior = PRIORS[name]
    return (math.log(value) if prior.is_log else value) / prior.sd


def _limits(start: FamilyConstants) -> tuple[Floats, Floats]:
    own = {"ln_build_new": (start.ln_build_new - 1.0, start.ln_build_new + 1.0)}
    own |= {name: (prior.low, prior.high) for name, prior in PRIORS.items()}
    low = np.array([_coordinate(name, own[name][0]) for name in _NAMES])
    high = np.array([_coordinate(name, own[name][1]) for name in _NAMES])
    return low, high


def _at(place: Floats, start: FamilyConstants) -> FamilyConstants:
    values = {}
    for name, coordinate in zip(_NAMES, place.tolist(), strict=True):
        if name not in PRIORS:
            values[name] = coordinate * _SD_LN_BUILD_NEW
            continue
        prior = PRIORS[name]
        value = math.exp(coordinate * prior.sd) if prior.is_log else coordinate * prior.sd
        values[name] = min(max(value, prior.low), prior.high)
    return start._replace(**values)
