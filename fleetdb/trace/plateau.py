"""The pressure held once it has settled, and its ratio to the target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.phases import Phases
from fleetdb.trace.robust import huber_location, robust_fit
from fleetdb.trace.signal_faults import resolution_bar

LONGEST_WINDOW_S = 5.0
SHORTEST_WINDOW_S = 0.4
# Of the level stretch the first part may still be settling.
_LAST_SHARE = 0.6
# A slope counts when it is this many times its uncertainty and moves the level so far.
_SLOPE_SDS = 4.0
_SLOPE_SHARE = 0.003


@dataclass(frozen=True)
class PlateauFigures:
    """The settled pressure.

    ``pressure_bar`` is Huber's M-estimate of the pressure in ``window``: the last part, of
    at most 5 s, of the stretch about the highest pressure held for half a second in which
    pressure stays within 4 % of its level (within its own scatter if that is more);
    shortened while it has a slope. Its uncertainty allows for the correlation of the samples
    (ripple, wander); the sensor's own error is not in it.

    ``proof_ratio`` is that over the target, cranking at the proof duty (kind proof only).
    ``is_level`` is False where a slope is left: the pressure was still rising or falling.
    """

    pressure_bar: Figure
    proof_ratio: Figure
    window: Window | None
    is_level: bool

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "pressure_bar": self.pressure_bar.to_json(),
            "proof_ratio": self.proof_ratio.to_json(),
            "window": self.window and self.window.to_json(),
            "is_level": self.is_level,
        }


def no_plateau(reason: str) -> PlateauFigures:
    """Return the figures of a trace that has no plateau."""
    return PlateauFigures(Figure.none("bar", reason), Figure.none("-", reason), None, False)


def plateau_figures(phases: Phases, target_bar: float, is_proof: bool) -> PlateauFigures:
    """Return the settled pressure of a trace and its ratio to ``target_bar``."""
    found = _window(phases)
    if found is None:
        return no_plateau("no pressure was held for half a second")
    window, change_bar = found
    held = huber_location(phases.trace.rail_bar[phases.samples_in(window)])
    # Samples that are all alike lie within one step of the sensor (evenly: over root 12).
    within_step_bar = 0.0
    if held.scatter == 0.0:
        within_step_bar = resolution_bar(phases.trace.rail_bar) / float(np.sqrt(12.0))
    # What it would have settled at is not known: half the change over the window says so.
    sd_bar = float(np.hypot(held.sd, max(0.5 * abs(change_bar), within_step_bar)))
    ratio = (
        Figure.of(held.centre / target_bar, sd_bar / target_bar, "-")
        if is_proof
        else Figure.none("-", "only a trace of kind proof has one")
    )
    return PlateauFigures(Figure.of(held.centre, sd_bar, "bar"), ratio, window, change_bar == 0.0)


def _window(phases: Phases) -> tuple[Window, float] | None:
    """Return the window, and by how much pressure changes over it (0 if it is level) [bar]."""
    first, end = phases.level_stretch
    blocks = phases.blocks
    # The first and last block may hold the bends.
    from_s = float(blocks.time_s[first]) + 0.5 * blocks.step_s
    to_s = float(blocks.time_s[end - 1]) - 0.5 * blocks.step_s
    length_s = min(_LAST_SHARE * (to_s - from_s), LONGEST_WINDOW_S)
    length_s = max(length_s, min(to_s - from_s, SHORTEST_WINDOW_S))
    if length_s < min(SHORTEST_WINDOW_S, 3.0 * blocks.step_s) or phases.held_bar <= 0:
        return None
    while True:
        window = Window(to_s - length_s, to_s)
        change_bar = _change_bar(phases, window)
        if change_bar == 0.0 or length_s / 2 < SHORTEST_WINDOW_S:
            return window, change_bar
        length_s /= 2


def _change_bar(phases: Phases, window: Window) -> float:
    """Return how much pressure changes over a window, 0 where that may be noise."""
    samples = phases.samples_in(window)
    time_s, rail_bar = phases.trace.time_s[samples], phases.trace.rail_bar[samples]
    if len(time_s) < 8:
        return 0.0
    # Means over parts of the window, so that ripple does not count as slope.
    n_each = len(time_s) // max(8, min(40, len(time_s) // 2))
    n = len(time_s) // n_each * n_each
    at, mean = (v[:n].reshape(-1, n_each).mean(axis=1) for v in (time_s, rail_bar))
    centred = (at - at.mean()) / window.length_s
    fit = robust_fit(np.column_stack([np.ones_like(centred), centred]), mean)
    change_bar, sd_bar = float(fit.coefficients[1]), float(np.sqrt(fit.covariance[1, 1]))
    least_bar = max(_SLOPE_SDS * sd_bar, _SLOPE_SHARE * phases.held_bar)
    return change_bar if abs(change_bar) > least_bar else 0.0
