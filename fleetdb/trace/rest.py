"""Pressure at rest, before anything turns: what the sensor says of nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.phases import Phases
from fleetdb.trace.robust import huber_location

# About 12 bar can remain at rest with the key on (common practice, no source); more, or less
# than nothing, is the sensor's.
MOST_LEFT_AT_REST_BAR = 20.0
LEAST_LEFT_AT_REST_BAR = -5.0


@dataclass(frozen=True)
class RestFigures:
    """``pressure_bar`` is the robust mean before the climb; None where there is no such rest.

    It is not taken off the other pressures: what remains at rest is not known apart from
    what the sensor adds.
    """

    pressure_bar: Figure
    window: Window | None

    @property
    def is_offset(self) -> bool:
        """True when the sensor, and not the rail, must be the cause of what it reads."""
        value = self.pressure_bar.value
        if value is None:
            return False
        return not LEAST_LEFT_AT_REST_BAR <= value <= MOST_LEFT_AT_REST_BAR

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "pressure_bar": self.pressure_bar.to_json(),
            "is_offset": self.is_offset,
            "window": self.window and self.window.to_json(),
        }


def rest_figures(phases: Phases) -> RestFigures:
    """Return the pressure at rest (Huber's M-estimate over the samples before the climb)."""
    window = phases.rest
    if window is None:
        return RestFigures(Figure.none("bar", "the trace does not begin at rest"), None)
    at_rest = huber_location(phases.trace.rail_bar[phases.samples_in(window)])
    return RestFigures(Figure.of(at_rest.centre, at_rest.sd, "bar"), window)
