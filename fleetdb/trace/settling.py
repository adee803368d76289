"""Between climb and plateau: how far pressure shoots over, and when it has settled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.phases import ONSET_SHARE, Phases

Floats = NDArray[np.float64]

SETTLED_BAND = 0.03
_SMOOTH_S = 0.03
_CLIMBED_SHARE = 0.9
_BAND_SDS = 3.0


@dataclass(frozen=True)
class SettlingFigures:
    """How the plateau was reached.

    ``overshoot_bar`` is the highest pressure (means over 30 ms) before the plateau's window
    less the plateau; 0, with its uncertainty, where it does not stand out of the scatter that
    the plateau itself has. ``overshoot_share`` is that over the plateau.

    ``settling_time_s`` runs from when pressure is 5 % of the plateau above rest to when it
    stays within 3 % of the plateau (within its own scatter if that is more).
    """

    overshoot_bar: Figure
    overshoot_share: Figure
    settling_time_s: Figure
    peak_s: float | None

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "overshoot_bar": self.overshoot_bar.to_json(),
            "overshoot_share": self.overshoot_share.to_json(),
            "settling_time_s": self.settling_time_s.to_json(),
            "peak_s": self.peak_s,
        }


def no_settling(reason: str) -> SettlingFigures:
    """Return the figures of a trace without climb or plateau."""
    return SettlingFigures(
        Figure.none("bar", reason), Figure.none("-", reason), Figure.none("s", reason), None
    )


def settling_figures(phases: Phases, plateau_bar: float, window: Window) -> SettlingFigures:
    """Return how the plateau of a trace was reached; ``window`` is the plateau's."""
    if phases.onset_block is None:
        return no_settling("the trace does not begin at rest")
    trace = phases.trace
    size = max(1, round(_SMOOTH_S * trace.rate_hz))
    onset = phases.onset_block
    first = phases.first_rise_to(_CLIMBED_SHARE * plateau_bar, onset)
    if first is None:
        return no_settling("no climb to the plateau was found")
    n = trace.n_samples // size * size
    smooth_bar = trace.rail_bar[:n].reshape(-1, size).mean(axis=1)
    smooth_s = trace.time_s[:n].reshape(-1, size).mean(axis=1)
    level = (smooth_s >= window.from_s) & (smooth_s <= window.to_s)
    scatter_bar = float(np.std(smooth_bar[level])) if level.sum() > 2 else 0.0
    climbed_s = phases.blocks.time_s[first] - phases.blocks.step_s
    before = np.flatnonzero((smooth_s >= climbed_s) & (smooth_s < window.from_s))
    overshoot, peak_s = _overshoot(smooth_s, smooth_bar, before, plateau_bar, scatter_bar)
    share = (
        Figure.none("-", overshoot.reason or "")
        if overshoot.value is None or overshoot.sd is None
        else Figure.of(overshoot.value / plateau_bar, overshoot.sd / plateau_bar, "-")
    )
    settled = _settling_time(phases, smooth_s, smooth_bar, plateau_bar, scatter_bar, window)
    return SettlingFigures(overshoot, share, settled, peak_s)


def _overshoot(
    smooth_s: Floats,
    smooth_bar: Floats,
    before: NDArray[np.intp],
    plateau_bar: float,
    scatter: float,
) -> tuple[Figure, float | None]:
    if len(before) == 0:
        return Figure.of(0.0, scatter, "bar"), None
    peak = int(before[np.argmax(smooth_bar[before])])
    above_bar = float(smooth_bar[peak] - plateau_bar)
    # What the highest of so many would be by scatter alone (normal, in the limit).
    by_chance_bar = scatter * float(np.sqrt(2.0 * np.log(max(len(before), 2))))
    if above_bar <= by_chance_bar + 2.0 * scatter:
        return Figure.of(0.0, by_chance_bar, "bar"), None
    # The vertex of a parabola through the peak and its neighbours: less biased upwards than
    # the highest sample.
    near = slice(max(peak - 3, 0), peak + 4)
    x, y = smooth_s[near] - smooth_s[peak], smooth_bar[near]
    if len(x) >= 5:
        a, b, c = np.polyfit(x, y, 2)
        if a < 0 and abs(b / (2 * a)) <= x[-1]:
            above_bar = float(c - b * b / (4 * a)) - plateau_bar
    return Figure.of(max(above_bar, 0.0), scatter, "bar"), float(smooth_s[peak])


def _settling_time(
    phases: Phases,
    smooth_s: Floats,
    smooth_bar: Floats,
    plateau_bar: float,
    scatter_bar: float,
    window: Window,
) -> Figure:
    rest_bar = float(np.median(phases.blocks.rail_bar[: (phases.onset_block or 0) + 1]))
    start_bar = rest_bar + ONSET_SHARE * (plateau_bar - rest_bar)
    band_bar = max(SETTLED_BAND * plateau_bar, _BAND_SDS * scatter_bar)
    until = smooth_s <= window.to_s
    outside = np.flatnonzero(until & (np.abs(smooth_bar - plateau_bar) > band_bar))
    onset_s = phases.blocks.time_s[phases.onset_block or 0]
    started = np.flatnonzero((smooth_s >= onset_s) & (smooth_bar >= start_bar))
    if len(outside) == 0 or len(started) == 0 or outside[-1] + 1 >= until.sum():
        return Figure.none("s", "pressure did not settle")
    i = int(outside[-1])
    # Between the last mean outside the band and the first that stays inside.
    edge_bar = plateau_bar + np.copysign(band_bar, smooth_bar[i] - plateau_bar)
    run_bar = smooth_bar[i + 1] - smooth_bar[i]
    share = float(np.clip((edge_bar - smooth_bar[i]) / run_bar, 0.0, 1.0)) if run_bar else 1.0
    step_s = float(smooth_s[1] - smooth_s[0])
    settled_s = float(smooth_s[i]) + share * step_s
    slope = max(abs(run_bar) / step_s, 1e-9)
    sd_s = float(np.hypot(min(scatter_bar / slope, 10 * step_s), 0.29 * step_s))
    return Figure.of(max(settled_s - float(smooth_s[started[0]]), 0.0), sd_s, "s")
