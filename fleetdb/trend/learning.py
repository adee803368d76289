"""What the fleet teaches: each family's constants, by the evidence of its own records.

The constants maximise the probability the filter gives to the records of a sample of
pumps, times their priors (empirical Bayes). The search goes constant by constant, up or
down by a stride while that helps, then once more by half a stride for those that moved:
crude, but the surface is smooth and a stride is small beside what a verdict can tell.

What is learnt is kept for half a year (``teaching``), so that a pump's verdict moves with its
own tests and not with the constants, and a past date's verdict can be reproduced.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, Readings
from fleetdb.trend.constants import PRIORS, FamilyConstants, log_prior, prior_constants
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.series import Series

_STRIDE = {
    "ln_reserve_new": 0.08,
    "ln_cap": 0.008,
    "ln_build_new": 0.03,
    "volumetric_share": 0.2,
    "viscosity_power": 0.1,
}
_LOG_STRIDE = {
    "sd_ln_reserve_new": 1.35,
    "sd_ln_cap": 1.35,
    "cap_sharpness": 1.4,
    "sd_ratio": 1.2,
    "sd_build": 1.2,
    "sd_ln_build_new": 1.3,
    "p_botched_ratio": 1.7,
    "p_botched_build": 1.7,
    "p_botched_both": 1.7,
    "damage_per_y": 1.6,
    "starvation_per_y": 1.6,
    "wear_onset_per_y": 1.5,
    "quickening_per_y": 1.5,
    "build_wander_per_sqrt_y": 1.5,
    "wander_per_sqrt_y": 1.5,
}
_WORTH_A_STEP = 0.1
_FEWEST_RECORDS = 60
_MOST_PUMPS = 60
_FEWEST_TESTS_OF_A_PUMP = 3


@dataclass(frozen=True)
class Sample:
    """Some pumps of a family, cut at a time, laid out for the filter."""

    readings: Readings
    windows: Floats
    offsets: NDArray[np.int64]
    start_y: Floats


def sample_of(series: Series) -> Sample:
    """Return up to ``_MOST_PUMPS`` pumps with tests enough, evenly spread over the series."""
    counts = np.diff(series.offsets)
    enough = np.flatnonzero(counts >= _FEWEST_TESTS_OF_A_PUMP)
    spread = np.linspace(0, len(enough) - 1, min(_MOST_PUMPS, len(enough))).astype(int)
    chosen = enough[spread]
    in_sample = np.zeros(len(counts), dtype=bool)
    in_sample[chosen] = True
    index = np.flatnonzero(np.repeat(in_sample, counts))
    return Sample(
        readings=series.readings.rows(index),
        windows=series.windows,
        offsets=np.concatenate([[0], np.cumsum(counts[chosen])]).astype(np.int64),
        start_y=series.start_y[chosen],
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

    def worth(constants: FamilyConstants) -> float:
        prior = log_prior(constants)
        if prior == -math.inf:
            return prior
        _, pumps = run_filter(
            sample.readings,
            sample.windows,
            sample.offsets,
            sample.start_y,
            sample.start_y,
            constants,
            limit,
        )
        return prior + float(pumps.log_evidence.sum())

    best, best_worth = start, worth(start)
    names = [*_STRIDE, *_LOG_STRIDE]
    for stride in (1.0, 0.5):
        moved = []
        for name in names:
            for direction in (stride, -stride):
                before = best
                while True:
                    trial = _move(best, name, direction)
                    trial_worth = worth(trial)
                    if trial_worth <= best_worth + _WORTH_A_STEP:
                        break
                    best, best_worth = trial, trial_worth
                if best is not before:
                    moved.append(name)
                    break
        names = moved
    return best


def _move(constants: FamilyConstants, name: str, strides: float) -> FamilyConstants:
    value = getattr(constants, name)
    if name in _STRIDE:
        value += strides * _STRIDE[name]
    else:
        value *= _LOG_STRIDE[name] ** strides
    if name in PRIORS:
        value = min(max(value, PRIORS[name].low), PRIORS[name].high)
    return constants._replace(**{name: value})
