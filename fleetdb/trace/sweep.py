"""Pressure against regulator duty: the line it should be on, and how far it is off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.trace.figure import Figure
from fleetdb.trace.model import Trace
from fleetdb.trace.robust import mad_sd, theil_sen

Floats = NDArray[np.float64]

# Duties are put together in steps of so much.
_BIN_PCT = 1.0
_NARROWEST_SPAN_PCT = 5.0
_FEWEST_BINS = 4
# After a step of duty the rail needs so long to follow.
_FOLLOWING_S = 0.4
_STEP_PCT = 0.5
_MOVED_PCT = 0.2


@dataclass(frozen=True)
class DutyPoint:
    """Median pressure at one duty."""

    duty_pct: float
    rail_bar: float
    sd_bar: float
    line_bar: float
    """What the straight line says there."""


@dataclass(frozen=True)
class SweepFigures:
    """Regulator duty maps almost linearly to pressure (common practice, no source).

    The line is the median pairwise one (Theil-Sen) through the median pressures of each per
    cent of duty, so that a stretch that is off does not bend it. ``departure_bar`` is how far
    the worst of them is off, signed, at ``worst_duty_pct``; ``departure_share`` that over the
    span of the line; ``hysteresis_bar`` the mean of what it reads more with duty falling
    than with duty rising. Samples within 0.4 s of a step are left out.
    """

    slope_bar_per_pct: Figure
    at_zero_duty_bar: Figure
    departure_bar: Figure
    departure_share: Figure
    worst_duty_pct: float | None
    hysteresis_bar: Figure
    points: tuple[DutyPoint, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "slope_bar_per_pct": self.slope_bar_per_pct.to_json(),
            "at_zero_duty_bar": self.at_zero_duty_bar.to_json(),
            "departure_bar": self.departure_bar.to_json(),
            "departure_share": self.departure_share.to_json(),
            "worst_duty_pct": self.worst_duty_pct,
            "hysteresis_bar": self.hysteresis_bar.to_json(),
            "points": [
                {
                    "duty_pct": p.duty_pct,
                    "rail_bar": p.rail_bar,
                    "sd_bar": p.sd_bar,
                    "line_bar": p.line_bar,
                }
                for p in self.points
            ],
        }


def no_sweep(reason: str) -> SweepFigures:
    """Return the figures of a trace that is no duty sweep."""
    return SweepFigures(
        Figure.none("bar/%", reason),
        Figure.none("bar", reason),
        Figure.none("bar", reason),
        Figure.none("-", reason),
        None,
        Figure.none("bar", reason),
        (),
    )


def sweep_figures(trace: Trace) -> SweepFigures:
    """Return pressure against duty for a trace of kind duty_sweep."""
    if trace.duty_pct is None:
        return no_sweep("the trace has no duty_pct")
    duty_pct = trace.duty_pct
    used = _followed(trace, duty_pct)
    duty, rail, sd = _medians(duty_pct[used], trace.rail_bar[used])
    if len(duty) < _FEWEST_BINS or duty[-1] - duty[0] < _NARROWEST_SPAN_PCT:
        return no_sweep(
            f"the duty took {len(duty)} values; at least {_FEWEST_BINS} over "
            f"{_NARROWEST_SPAN_PCT:g} % are needed, each for longer than {_FOLLOWING_S:g} s"
        )
    slope, at_zero = theil_sen(duty, rail)
    line = at_zero + slope * duty
    off = rail - line
    worst = int(np.argmax(np.abs(off)))
    centred = duty - duty.mean()
    scatter = max(mad_sd(off), float(np.median(sd)))
    # Theil-Sen is nearly as efficient as least squares for normal noise (Sen 1968).
    sd_slope = scatter / float(np.sqrt(np.sum(centred**2)))
    sd_zero = float(np.hypot(scatter / np.sqrt(len(duty)), sd_slope * duty.mean()))
    sd_worst = float(np.hypot(sd[worst], scatter / np.sqrt(len(duty))))
    span_bar = abs(slope) * float(duty[-1] - duty[0])
    share = (
        Figure.of(off[worst] / span_bar, sd_worst / span_bar, "-")
        if span_bar > 0
        else Figure.none("-", "pressure does not answer to the duty")
    )
    return SweepFigures(
        Figure.of(slope, sd_slope, "bar/%"),
        Figure.of(at_zero, sd_zero, "bar"),
        Figure.of(off[worst], sd_worst, "bar"),
        share,
        float(duty[worst]),
        _hysteresis(trace, duty_pct, used),
        tuple(DutyPoint(*map(float, point)) for point in zip(duty, rail, sd, line, strict=True)),
    )


def _followed(trace: Trace, duty_pct: Floats) -> NDArray[np.bool_]:
    """Return which samples lie long enough after the last step of duty."""
    stepped = np.flatnonzero(np.abs(np.diff(duty_pct)) > _STEP_PCT) + 1
    if len(stepped) == 0:
        return np.ones(trace.n_samples, dtype=bool)
    last = np.searchsorted(stepped, np.arange(trace.n_samples), side="right") - 1
    since_s = trace.time_s - np.where(last >= 0, trace.time_s[stepped[last]], -np.inf)
    return since_s >= _FOLLOWING_S


def _medians(duty_pct: Floats, rail_bar: Floats) -> tuple[Floats, Floats, Floats]:
    """Return duty, median pressure and its uncertainty for each per cent of duty."""
    number = np.floor(duty_pct / _BIN_PCT).astype(np.int64)
    order = np.argsort(number, kind="stable")
    numbers, starts = np.unique(number[order], return_index=True)
    parts = np.split(order, starts[1:])
    kept = [part for part in parts if len(part) >= 3] if len(numbers) else []
    duty = np.array([float(np.mean(duty_pct[part])) for part in kept])
    rail = np.array([float(np.median(rail_bar[part])) for part in kept])
    # A median's uncertainty is 1.2533 times that of a mean (normal noise).
    sd = np.array([1.2533 * mad_sd(rail_bar[part]) / np.sqrt(len(part)) for part in kept])
    return duty, rail, sd


def _hysteresis(trace: Trace, duty_pct: Floats, used: NDArray[np.bool_]) -> Figure:
    """Return what pressure reads more at the same duty when it was falling."""
    direction = _direction(trace, duty_pct)
    up_duty, up, up_sd = _medians(*_only(duty_pct, trace.rail_bar, used & (direction > 0)))
    down_duty, down, down_sd = _medians(*_only(duty_pct, trace.rail_bar, used & (direction < 0)))
    _, i, j = np.intersect1d(
        np.floor(up_duty / _BIN_PCT), np.floor(down_duty / _BIN_PCT), return_indices=True
    )
    if len(i) < _FEWEST_BINS:
        return Figure.none("bar", "the duty was not taken both up and down")
    more = down[j] - up[i]
    sd = float(np.sqrt(np.sum(up_sd[i] ** 2 + down_sd[j] ** 2))) / len(i)
    return Figure.of(float(np.mean(more)), sd, "bar")


def _only(duty: Floats, rail: Floats, used: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    return duty[used], rail[used]


def _direction(trace: Trace, duty_pct: Floats) -> NDArray[np.int64]:
    """Return +1 where the duty last moved up, -1 where it last moved down, 0 before.

    By how much it moved within the time the rail needs to follow: a duty that is read back
    scatters from sample to sample.
    """
    back = max(1, round(_FOLLOWING_S * trace.rate_hz))
    before = np.concatenate([np.full(min(back, len(duty_pct)), duty_pct[0]), duty_pct[:-back]])
    moved = duty_pct - before[: len(duty_pct)]
    moves = np.where(np.abs(moved) > _MOVED_PCT, np.sign(moved), 0.0).astype(np.int64)
    last = np.maximum.accumulate(np.where(moves != 0, np.arange(len(moves)), 0))
    return moves[last]
