"""What a test was made under, by its trace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.records.plausibility import DUTY_TOLERANCE_PCT
from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.interventions import Sign
from fleetdb.trace.model import TraceKind
from fleetdb.trace.phases import Phases
from fleetdb.trace.settings import TraceSettings


@dataclass(frozen=True)
class ConditionFigures:
    """Medians over the plateau (over the whole trace where there is none).

    Each ``sd`` is the scatter about it: how much it varied.
    """

    crank_rpm: Figure
    duty_pct: Figure
    fuel_temp_c: Figure

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "crank_rpm": self.crank_rpm.to_json(),
            "duty_pct": self.duty_pct.to_json(),
            "fuel_temp_c": self.fuel_temp_c.to_json(),
        }


def condition_figures(phases: Phases, window: Window | None) -> ConditionFigures:
    """Return crank speed, duty and fuel temperature in ``window``, the plateau's."""
    trace = phases.trace
    samples = phases.samples_in(window) if window is not None else slice(None)

    def figure(values: NDArray[np.float64] | None, unit: str, name: str) -> Figure:
        if values is None:
            return Figure.none(unit, f"the trace has no {name}")
        inside = values[samples]
        return Figure.of(float(np.median(inside)), float(np.std(inside)), unit)

    return ConditionFigures(
        figure(trace.crank_rpm, "1/min", "crank_rpm"),
        figure(trace.duty_pct, "%", "duty_pct"),
        figure(trace.fuel_temp_c, "degC", "fuel_temp_c"),
    )


def duty_signs(phases: Phases, window: Window | None, settings: TraceSettings) -> tuple[Sign, ...]:
    """Return whether the regulator's duty, in a proof, was not the one to be held.

    Codes: ``duty_moved`` (by more than 2 points, from the end of the climb to the end of the
    plateau) and ``other_duty`` (held more than 2 points from the family's proof duty).
    """
    duty_pct = phases.trace.duty_pct
    if phases.trace.kind is not TraceKind.PROOF or duty_pct is None or window is None:
        return ()
    inside = duty_pct[phases.samples_in(window)]
    # A duty that is read back scatters: single samples do not count.
    low, middle, high = (float(q) for q in np.quantile(inside, [0.05, 0.5, 0.95]))
    if high - low > 2.0 * DUTY_TOLERANCE_PCT:
        return (
            Sign(
                "duty_moved",
                window.from_s,
                f"the regulator's duty went from {low:.0f} to {high:.0f} % while it was to be "
                "held: the control unit, or the hand, moved it",
            ),
        )
    proof_duty_pct = settings.proof_duty_pct
    if proof_duty_pct is not None and abs(middle - proof_duty_pct) > DUTY_TOLERANCE_PCT:
        return (
            Sign(
                "other_duty",
                window.from_s,
                f"the regulator was held at {middle:.0f} %, the family is proved at "
                f"{proof_duty_pct:g} %",
            ),
        )
    return ()
