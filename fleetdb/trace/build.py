"""The climb: how fast pressure builds, when it is there, how far it shoots over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.phases import ONSET_SHARE, Phases
from fleetdb.trace.robust import Fit, noise_sd, robust_fit

Floats = NDArray[np.float64]

# The window the pipeline takes as usual (`trend.series`), over the target.
FROM_SHARE, TO_SHARE = 0.2, 0.7
# A pump that cannot reach that is timed up to this share of its own plateau.
_OF_PLATEAU = 0.8
# The climb is fitted somewhat beyond the window: its ends are then known better.
_FIT_FROM_SHARE = 0.1
# A cubic; where a few strokes bend it so that it misses an end, a parabola, a straight line.
_DEGREES = (3, 2, 1)
_FEWEST_SAMPLES = 8
# A pressure that strokes carry over a level falls below it again within a stroke of the slowest
# cranking (common practice, no source).
_LONGEST_STROKE_S = 0.5
# A climb stood still where for so long, and for such a share of it, no pressure was a new highest.
_STOOD_STILL_S, _STOOD_STILL_SHARE = 0.75, 0.3
NEAR_TARGET_SHARE = 0.9


@dataclass(frozen=True)
class BuildFigures:
    """The climb from rest.

    ``rate_bar_per_s`` is the mean rise between ``from_bar`` and ``to_bar``: their difference
    over the time from one to the other, as the build rate of a test record is. They are 20 and
    70 % of the target, or 80 % of the plateau where that is lower. The two times are read off
    a cubic fitted to all samples of the climb by (Huber) least squares, so that neither noise
    nor single strokes decide (a parabola or straight line where so few strokes make the climb
    that a cubic misses an end); a straight line through the window would give the same rate, up
    to its curvature, with more scatter. A climb in which pressure stood still for 0.75 s or
    longer, and for 30 % of it, has none: something other than the pump set the pace.

    ``time_to_target_s`` runs from when pressure is 5 % of the target above rest to the target;
    ``time_to_near_target_s`` to 90 % of it, which a pump held by its regulator reaches too.
    """

    rate_bar_per_s: Figure
    from_bar: float | None
    to_bar: float | None
    time_to_target_s: Figure
    time_to_near_target_s: Figure
    window: Window | None
    fitted: Window | None
    """The stretch the cubic was fitted to."""
    is_clean: bool | None
    """Whether the regulator alone set the pressure: False with the inlet metering valve
    connected, when the control unit counteracts; None where the record does not say."""

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "rate_bar_per_s": self.rate_bar_per_s.to_json(),
            "from_bar": self.from_bar,
            "to_bar": self.to_bar,
            "time_to_target_s": self.time_to_target_s.to_json(),
            "time_to_near_target_s": self.time_to_near_target_s.to_json(),
            "window": self.window and self.window.to_json(),
            "fitted": self.fitted and self.fitted.to_json(),
            "is_clean": self.is_clean,
        }


def no_build(reason: str) -> BuildFigures:
    """Return the figures of a trace without a climb."""
    return BuildFigures(
        Figure.none("bar/s", reason),
        None,
        None,
        Figure.none("s", reason),
        Figure.none("s", reason),
        None,
        None,
        None,
    )


def build_figures(
    phases: Phases, target_bar: float, plateau_bar: float, is_clean: bool | None
) -> BuildFigures:
    """Return the climb of a trace.

    Parameters
    ----------
    target_bar
        Proof target.
    plateau_bar
        Pressure it settled at, or the highest held.
    is_clean
        Whether the inlet metering valve was unplugged.
    """
    if phases.onset_block is None:
        return no_build("the trace does not begin at rest")
    rest_bar = float(np.median(phases.blocks.rail_bar[: phases.onset_block + 1]))
    from_bar = FROM_SHARE * target_bar
    to_bar = min(TO_SHARE * target_bar, _OF_PLATEAU * plateau_bar)
    onset_bar = rest_bar + ONSET_SHARE * target_bar
    if to_bar < 1.5 * from_bar or onset_bar >= from_bar:
        return no_build(
            f"pressure rose from {rest_bar:.0f} to {plateau_bar:.0f} bar: too little between "
            f"{FROM_SHARE:.0%} and {TO_SHARE:.0%} of the target to time"
        )
    top_bar = max(to_bar, _OF_PLATEAU * plateau_bar)
    bottom_bar = max(onset_bar, _FIT_FROM_SHARE * target_bar)
    fitted = _stretch(phases, bottom_bar, top_bar)
    rate, window = Figure.none("bar/s", "the climb is too fast for the recording"), None
    stood_still_s = 0.0 if fitted is None else _stood_still_s(phases, fitted)
    if stood_still_s > 0.0:
        rate = Figure.none("bar/s", f"pressure stood still for {stood_still_s:.1f} s on its way up")
    elif fitted is not None:
        timed = _rate(phases, fitted, from_bar, to_bar)
        if timed is not None:
            rate, window = timed
    return BuildFigures(
        rate,
        from_bar,
        to_bar,
        _time_to(phases, onset_bar, target_bar, plateau_bar),
        _time_to(phases, onset_bar, NEAR_TARGET_SHARE * target_bar, plateau_bar),
        window,
        fitted,
        is_clean,
    )


def _stretch(phases: Phases, bottom_bar: float, top_bar: float) -> Window | None:
    """Return the stretch of the climb between two pressures.

    From the first crossing of the lower to the first of the upper after which strokes no longer
    take pressure below it: their mean has then reached it too.
    """
    from_s, to_s = _rough_crossing(phases, bottom_bar), _rough_crossing(phases, top_bar)
    if from_s is None or to_s is None or to_s <= from_s:
        return None
    blocks = phases.blocks
    stroke = (blocks.time_s > to_s) & (blocks.time_s <= to_s + _LONGEST_STROKE_S)
    below = np.flatnonzero(stroke & (blocks.rail_bar < top_bar))
    if len(below):
        to_s = float(blocks.time_s[below[-1]]) + blocks.step_s
    return Window(from_s, to_s)


def _stood_still_s(phases: Phases, climb: Window) -> float:
    """Return for how long, within the climb, pressure stood still; 0 if it did not. [s]"""
    blocks = phases.blocks
    inside = (blocks.time_s >= climb.from_s) & (blocks.time_s <= climb.to_s)
    rail_bar, time_s = blocks.rail_bar[inside], blocks.time_s[inside]
    if len(rail_bar) < 2:
        return 0.0
    before = np.maximum.accumulate(rail_bar)[:-1]
    # Noise alone gives new highest pressures on a level too. From sample to sample strokes hardly
    # count as noise.
    noise_bar = noise_sd(phases.trace.rail_bar[phases.samples_in(climb)])
    risen = rail_bar[1:] > before + 2.0 * noise_bar / np.sqrt(blocks.n_samples_each)
    highest_s = np.concatenate([time_s[:1], time_s[1:][risen], time_s[-1:]])
    longest_s = float(np.diff(highest_s).max())
    least_s = max(_STOOD_STILL_S, _STOOD_STILL_SHARE * climb.length_s)
    return longest_s if longest_s > least_s else 0.0


def _rough_crossing(phases: Phases, level_bar: float) -> float | None:
    """Return when the block medians first rise through a level after rest. [s]"""
    blocks, onset = phases.blocks, phases.onset_block or 0
    above = phases.first_rise_to(level_bar, onset)
    if above is None or above == 0:
        return None
    low, high = blocks.rail_bar[above - 1], blocks.rail_bar[above]
    share = (level_bar - low) / (high - low) if high > low else 1.0
    return float(
        blocks.time_s[above - 1] + share * (blocks.time_s[above] - blocks.time_s[above - 1])
    )


@dataclass(frozen=True)
class _Curve:
    """A polynomial in time over a stretch, time running from -1 to 1 there."""

    fit: Fit
    centre_s: float
    half_s: float

    @classmethod
    def through(cls, time_s: Floats, rail_bar: Floats, degree: int) -> _Curve:
        centre_s = 0.5 * float(time_s[0] + time_s[-1])
        half_s = 0.5 * float(time_s[-1] - time_s[0])
        design = np.vander((time_s - centre_s) / half_s, degree + 1, increasing=True)
        return cls(robust_fit(design, rail_bar), centre_s, half_s)

    def crossing(self, level_bar: float) -> tuple[float, Floats] | None:
        """Return when the curve rises through a level, and the gradient of that time.

        The gradient is by the curve's coefficients: what their uncertainty does to the time.
        """
        x = np.linspace(-1.1, 1.1, 441)
        powers = np.arange(len(self.fit.coefficients))
        values = np.vander(x, len(powers), increasing=True) @ self.fit.coefficients - level_bar
        up = np.flatnonzero((values[:-1] < 0) & (values[1:] >= 0))
        if len(up) == 0:
            return None
        i = int(up[0])
        at = x[i] - values[i] * (x[i + 1] - x[i]) / (values[i + 1] - values[i])
        terms = at**powers
        slope = float(np.sum(self.fit.coefficients[1:] * powers[1:] * at ** (powers[1:] - 1)))
        if slope <= 0:
            return None
        return self.centre_s + self.half_s * at, -self.half_s * terms / slope


def _rate(
    phases: Phases, fitted: Window, from_bar: float, to_bar: float
) -> tuple[Figure, Window] | None:
    samples = phases.samples_in(fitted)
    time_s, rail_bar = phases.trace.time_s[samples], phases.trace.rail_bar[samples]
    if len(time_s) < _FEWEST_SAMPLES:
        return None
    for degree in _DEGREES:
        curve = _Curve.through(time_s, rail_bar, degree)
        start, end = curve.crossing(from_bar), curve.crossing(to_bar)
        if start is not None and end is not None and end[0] > start[0]:
            break
    else:
        return None
    seconds = end[0] - start[0]
    gradient = end[1] - start[1]
    sd_seconds = float(np.sqrt(gradient @ curve.fit.covariance @ gradient))
    rate = (to_bar - from_bar) / seconds
    return Figure.of(rate, rate * sd_seconds / seconds, "bar/s"), Window(start[0], end[0])


def _time_to(phases: Phases, onset_bar: float, level_bar: float, plateau_bar: float) -> Figure:
    start, end = _crossing(phases, onset_bar), _crossing(phases, level_bar)
    # A plateau at the level crosses it by its noise alone.
    noise_bar = noise_sd(phases.blocks.rail_bar[phases.level_stretch[0] :])
    if start is None:
        return Figure.none("s", "the climb is too fast for the recording")
    if end is None or level_bar > plateau_bar + 2.0 * noise_bar:
        return Figure.none("s", f"{level_bar:.0f} bar was not reached")
    return Figure.of(end[0] - start[0], float(np.hypot(start[1], end[1])), "s")


def _crossing(phases: Phases, level_bar: float) -> tuple[float, float] | None:
    """Return when pressure first rises through a level, and the uncertainty of that. [s]

    By a straight line through the samples within a block of the first crossing.
    """
    about_s = _rough_crossing(phases, level_bar)
    if about_s is None:
        return None
    reach_s = 1.5 * phases.blocks.step_s
    samples = phases.samples_in(Window(about_s - reach_s, about_s + reach_s))
    time_s, rail_bar = phases.trace.time_s[samples], phases.trace.rail_bar[samples]
    if len(time_s) < 3:
        return about_s, phases.trace.step_s
    x = time_s - about_s
    slope, middle_bar = np.polyfit(x, rail_bar, 1)
    if slope <= 0:
        return about_s, reach_s
    scatter = float(np.std(rail_bar - middle_bar - slope * x))
    at_s = float(np.clip((level_bar - middle_bar) / slope, -reach_s, reach_s))
    # Half a step for what happens between samples.
    sd_s = float(np.hypot(scatter / slope / np.sqrt(len(x)), 0.29 * phases.trace.step_s))
    return about_s + at_s, sd_s
