"""What the fleet teaches: each family's constants, by the evidence of its own records.

The constants maximise the probability the filter gives to the records and fates of a sample of
pumps, times their priors (empirical Bayes). Each pump's log evidence has its own gradient, and
the sum of their outer products about their mean stands for the curvature (E. Berndt, B. Hall,
R. Hall and J. Hausman, Annals of Economic and Social Measurement 3, 653-665, 1974; from
memory), damped when a step does not help. Constants pull on the same records (a reserve, the
softness of the cap and the power of viscosity hardly differ in what they do to a capped
ratio), so a search one constant at a time stops short on the ridge.

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
_MOST_STEPS = 15
_WORTH_A_STEP = 1.0
_FIRST_DAMPING, _MOST_DAMPING = 0.05, 1e4
_FIRST_PROBE, _LONGEST_PROBE = 0.02, 0.3  # in prior sds; later, a part of what is uncertain yet
_PROBE_OF_SD = 0.2
_FEWEST_RECORDS = 60
_MOST_RECORDS = 5_400
_FEWEST_TESTS_OF_A_PUMP = 3


@dataclass(frozen=True)
class Sample:
    """Some pumps of a family, cut at a time, laid out for the filter."""

    readings: Readings
    windows: Windows
    offsets: NDArray[np.int64]
    start_y: Floats
    failed_y: Floats


def sample_of(series: Series) -> Sample:
    """Return pumps with tests enough, evenly spread, with some ``_MOST_RECORDS`` records."""
    counts = np.diff(series.offsets)
    enough = np.flatnonzero(counts >= _FEWEST_TESTS_OF_A_PUMP)
    share = min(_MOST_RECORDS / max(int(counts[enough].sum()), 1), 1.0)
    some = series.of_pumps(series.evenly_chosen(enough, math.ceil(share * len(enough))))
    return Sample(
        readings=some.readings,
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


def learn(sample: Sample, start: FamilyConstants, limit: float) -> FamilyConstants:
    """Return the constants that explain ``sample`` best; ``start`` where it is too small."""
    if len(sample.readings.at_y) < _FEWEST_RECORDS:
        return start

    def evidence(place: Floats) -> Floats:
        """Log evidence of each pump at a place in the search's coordinates."""
        return evidence_of_lives(
            sample.readings,
            sample.windows,
            sample.offsets,
            sample.start_y,
            sample.failed_y,
            _at(place, start),
            limit,
        )

    place, low, high = _place(start), *_limits(start)
    centre = _place(prior_constants(start.ln_build_new))
    precision = np.array([1.0 if name in PRIORS else _TINY for name in _NAMES])
    each = evidence(place)
    worth = log_prior(start) + float(each.sum())
    probe = np.full(len(_NAMES), _FIRST_PROBE)
    damping = _FIRST_DAMPING
    for _ in range(_MOST_STEPS):
        # A probe goes inwards from a limit.
        ways = np.where(place + probe <= high, probe, -probe)
        gradients = np.column_stack(
            [(evidence(place + way) - each) / way.sum() for way in np.diag(ways)]
        )
        # About their mean: far from the top most pumps pull one way, which is no curvature.
        spread = gradients - gradients.mean(axis=0)
        curvature = spread.T @ spread + np.diag(precision)
        uphill = gradients.sum(axis=0) - precision * (place - centre)
        began, before, stride = place, worth, 1.0
        while damping < _MOST_DAMPING:
            damped = curvature + damping * np.diag(np.diag(curvature))
            trial = np.clip(began + stride * np.linalg.solve(damped, uphill), low, high)
            trial_each = evidence(trial)
            trial_worth = log_prior(_at(trial, start)) + float(trial_each.sum())
            if trial_worth > worth:
                # A gradient costs as much as twenty looks further along it.
                place, each, worth = trial, trial_each, trial_worth
                stride *= 2.0
            elif worth > before:
                damping /= 4.0
                break
            else:
                damping *= 4.0
        if worth - before < _WORTH_A_STEP:
            break
        sd = 1.0 / np.sqrt(np.diag(curvature))
        probe = np.clip(_PROBE_OF_SD * sd, _FIRST_PROBE / 20.0, _LONGEST_PROBE)
    return _at(place, start)


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
