"""The pump's strokes in the pressure: how strong each order is, and which element is weak."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.trace.elements import Deliveries, deliveries
from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.model import Trace
from fleetdb.trace.phases import means_over
from fleetdb.trace.robust import least_squares, noise_sd, times
from fleetdb.trace.settings import TraceSettings

Floats = NDArray[np.float64]

# A stroke must be seen by so many samples, and the pump turn so often within the window.
_FEWEST_SAMPLES_PER_STROKE = 4.0
_FEWEST_PUMP_TURNS = 3.0
_SAMPLES_PER_STROKE = 16
# The crank speed is known to this share: its scale is sought within it.
_SPEED_SLACK = 0.02
_MOST_ORDERS_PER_STROKE = 3
_DRIFT_TERMS = 4
# An element delivers less when it is this far below the others, beyond doubt.
WEAK_SHARE = 0.8
_WEAK_SDS = 4.0
_MOST_TURNS = 200.0


@dataclass(frozen=True)
class OrderAmplitude:
    """Amplitude of one order: ``order`` times per turn of the engine."""

    order: float
    amplitude: Figure

    def to_json(self) -> dict[str, Any]:
        return {"order": self.order, "amplitude": self.amplitude.to_json()}


@dataclass(frozen=True)
class RippleFigures:
    """Pressure ripple by pump stroke, in the plateau.

    Pressure is fitted by least squares with a sine and cosine of every order of the pump (1 to
    three times its elements) at the angle the crank speed adds up to, beside a slow drift. That is
    order tracking: it needs no even sampling and no steady speed. The speed's scale is sought
    within 2 % so that the strokes are strongest.

    ``stroke_amplitude_bar`` is the amplitude at the strokes' own order. Elements that deliver
    alike leave only that order and its multiples; one that is low brings the orders below it.

    ``element_shares`` is what each element delivers over the mean (``elements``); element 1 is
    the one whose delivery is centred first after ``first_stroke_s`` (no mark of the pump's own
    position is known, so the numbers hold within this trace, in the order in which the elements
    deliver). ``weak_element`` is the number of the one that delivers less than 0.8 of the others
    beyond doubt (4 standard deviations), None if there is none; ``weak_element_reason`` says why.

    References
    ----------
    Least-squares spectral analysis: P. Vanicek, Astrophys. Space Sci. 12, 10-33, 1971.
    """

    stroke_amplitude_bar: Figure
    orders: tuple[OrderAmplitude, ...]
    element_shares: tuple[Figure, ...]
    weak_element: int | None
    weak_element_reason: str
    first_stroke_s: float | None
    window: Window | None

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "stroke_amplitude_bar": self.stroke_amplitude_bar.to_json(),
            "orders": [order.to_json() for order in self.orders],
            "element_shares": [share.to_json() for share in self.element_shares],
            "weak_element": self.weak_element,
            "weak_element_reason": self.weak_element_reason,
            "first_stroke_s": self.first_stroke_s,
            "window": self.window and self.window.to_json(),
        }


def no_ripple(reason: str) -> RippleFigures:
    """Return the figures of a trace whose strokes cannot be seen."""
    return RippleFigures(Figure.none("bar", reason), (), (), None, reason, None, None)


def ripple_figures(trace: Trace, window: Window | None, settings: TraceSettings) -> RippleFigures:
    """Return the ripple within ``window``, where pressure is level on the whole."""
    if window is None:
        return no_ripple("no stretch of level pressure")
    if trace.crank_rpm is None:
        return no_ripple("the trace has no crank_rpm")
    strokes = settings.strokes_per_engine_rev
    if strokes is None:
        return no_ripple("the family does not say strokes_per_engine_rev")
    elements = settings.pumping_elements or 1
    inside = (trace.time_s >= window.from_s) & (trace.time_s <= window.to_s)
    time_s, rail_bar = trace.time_s[inside], trace.rail_bar[inside]
    crank_rpm = trace.crank_rpm[inside]
    strokes_per_s = float(np.mean(crank_rpm)) / 60.0 * strokes
    if strokes_per_s <= 0:
        return no_ripple("the engine did not turn")
    if trace.rate_hz / strokes_per_s < _FEWEST_SAMPLES_PER_STROKE:
        return no_ripple(
            f"{trace.rate_hz:.0f} samples a second are too few for {strokes_per_s:.1f} strokes: "
            f"record at {strokes_per_s * _FEWEST_SAMPLES_PER_STROKE:.0f} Hz or more"
        )
    # Pump turns since the window's first sample.
    step_turns = np.diff(time_s) * 0.5 * (crank_rpm[1:] + crank_rpm[:-1]) / 60.0
    turns = np.concatenate([[0.0], np.cumsum(step_turns)]) * strokes / elements
    if turns[-1] < _FEWEST_PUMP_TURNS:
        return no_ripple(f"the pump turned only {turns[-1]:.1f} times in the level stretch")
    kept = turns <= _MOST_TURNS
    size = max(1, int(trace.rate_hz / strokes_per_s / _SAMPLES_PER_STROKE))
    at_s, turn, bar = (means_over(v[kept], size) for v in (time_s, turns, rail_bar))
    return _figures(
        at_s, turn, bar, elements, strokes, size / (trace.rate_hz / strokes_per_s), window
    )


def _figures(
    time_s: Floats,
    turns: Floats,
    rail_bar: Floats,
    elements: int,
    strokes: float,
    strokes_per_mean: float,
    window: Window,
) -> RippleFigures:
    turns = turns * _speed_scale(turns, rail_bar, elements)
    samples_per_stroke = len(turns) / (turns[-1] - turns[0]) / elements
    per_stroke = min(_MOST_ORDERS_PER_STROKE, int(samples_per_stroke / 2.2))
    orders = np.arange(1, max(per_stroke, 1) * elements + 1)
    waves, sd_bar = _fit(turns, rail_bar, orders)
    # A mean over a stretch of the wave is smaller than the wave.
    waves = waves / np.sinc(orders / elements * strokes_per_mean)
    amplitudes = tuple(
        OrderAmplitude(
            float(order * strokes / elements), Figure.of(float(np.abs(wave)), sd_bar, "bar")
        )
        for order, wave in zip(orders, waves, strict=True)
    )
    stroke = amplitudes[elements - 1].amplitude
    untold = None
    if elements < 2:
        untold = "the number of pumping elements is not known"
    elif per_stroke < 2:
        untold = "too few samples a stroke to tell the elements apart"
    elif stroke.value is None or stroke.value < _WEAK_SDS * sd_bar:
        untold = "the strokes do not stand out of the noise"
    if untold is not None:
        return RippleFigures(stroke, amplitudes, (), None, untold, None, window)
    found = deliveries(waves, elements, sd_bar)
    if found is None:
        untold = "the ripple is not that of a pump with so many elements"
        return RippleFigures(stroke, amplitudes, (), None, untold, None, window)
    weak, reason = _weak_element(found)
    return RippleFigures(
        stroke,
        amplitudes,
        tuple(
            Figure.of(float(share), float(sd), "-")
            for share, sd in zip(found.shares, found.sd, strict=True)
        ),
        weak,
        reason,
        float(np.interp(turns[0] + found.first_turn, turns, time_s)),
        window,
    )


def _design(turns: Floats, orders: NDArray[np.int64]) -> Floats:
    angle = 2.0 * np.pi * (turns - turns[0])[:, None] * orders
    x = (turns - turns.mean()) / (turns[-1] - turns[0]) * 2.0
    return np.hstack([np.vander(x, _DRIFT_TERMS, increasing=True), np.cos(angle), np.sin(angle)])


def _fit(
    turns: Floats, rail_bar: Floats, orders: NDArray[np.int64]
) -> tuple[NDArray[np.complex128], float]:
    """Return each order's wave (a + b i: a cos - b sin) and the uncertainty of its parts. [bar]"""
    design = _design(turns, orders)
    coefficients, _ = least_squares(design, rail_bar)
    residuals = rail_bar - times(design, coefficients)
    degrees = max(len(rail_bar) - design.shape[1], 1)
    scatter = max(float(np.sqrt(np.sum(residuals**2) / degrees)), noise_sd(residuals))
    n = len(orders)
    cos, sin = coefficients[_DRIFT_TERMS : _DRIFT_TERMS + n], coefficients[_DRIFT_TERMS + n :]
    # The variance of an amplitude over many turns is 2 / n of the noise's.
    return cos - 1j * sin, scatter * float(np.sqrt(2.0 / len(rail_bar)))


def _speed_scale(turns: Floats, rail_bar: Floats, elements: int) -> float:
    """Return the scale of the speed at which the strokes are strongest, within the slack."""
    n_turns = turns[-1] - turns[0]
    # Fine enough that the strokes slip by a tenth of one over the window from step to step.
    step = min(0.1 / (n_turns * elements), _SPEED_SLACK / 4)
    scales = 1.0 + np.arange(-_SPEED_SLACK, _SPEED_SLACK + step, step)
    x = (turns - turns.mean()) / n_turns * 2.0
    drift = np.vander(x, _DRIFT_TERMS, increasing=True)
    level = rail_bar - times(drift, least_squares(drift, rail_bar)[0])
    window = np.hanning(len(level))
    angle = -2j * np.pi * elements * (turns - turns[0])
    power = np.array([np.abs(np.sum(np.exp(angle * scale) * window * level)) for scale in scales])
    best = int(np.argmax(power))
    if best in (0, len(scales) - 1):
        # No peak within the slack: strokes too weak to tell, so the speed is believed.
        return 1.0
    low, top, high = power[best - 1 : best + 2]
    curve = low - 2.0 * top + high
    shift = 0.5 * (low - high) / curve if curve < 0 else 0.0
    return float(scales[best] + np.clip(shift, -1.0, 1.0) * step)


def _weak_element(found: Deliveries) -> tuple[int | None, str]:
    weakest = int(np.argmin(found.shares))
    others = float(np.median(np.delete(found.shares, weakest)))
    ratio = float(found.shares[weakest]) / others
    beyond_doubt = others - found.shares[weakest] > _WEAK_SDS * found.sd[weakest]
    if ratio < WEAK_SHARE and beyond_doubt:
        return weakest + 1, f"element {weakest + 1} delivers {max(ratio, 0):.2f} of the others"
    return None, "the elements deliver alike"
