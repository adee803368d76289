"""All figures of a trace: one module for each, put together here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fleetdb.trace.build import BuildFigures, build_figures, no_build
from fleetdb.trace.conditions import ConditionFigures, condition_figures, duty_signs
from fleetdb.trace.hold import HoldFigures, hold_figures, no_hold
from fleetdb.trace.interventions import Sign, signs_of_intervention
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.phases import Phases
from fleetdb.trace.plateau import PlateauFigures, no_plateau, plateau_figures
from fleetdb.trace.rest import RestFigures, rest_figures
from fleetdb.trace.ripple import RippleFigures, no_ripple, ripple_figures
from fleetdb.trace.settings import TraceSettings
from fleetdb.trace.settling import SettlingFigures, no_settling, settling_figures
from fleetdb.trace.sweep import SweepFigures, no_sweep, sweep_figures

METHOD = 2
"""Version of the methods: raised whenever the same trace would give other figures."""


@dataclass(frozen=True)
class TraceFigures:
    """What a trace says. Each part's definition is with its own class."""

    method: int
    kind: TraceKind
    rest: RestFigures
    plateau: PlateauFigures
    build: BuildFigures
    settling: SettlingFigures
    hold: HoldFigures
    sweep: SweepFigures
    ripple: RippleFigures
    conditions: ConditionFigures
    signs: tuple[Sign, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON: objects, arrays, numbers, text and null."""
        return {
            "method": self.method,
            "kind": self.kind.value,
            "rest": self.rest.to_json(),
            "plateau": self.plateau.to_json(),
            "build": self.build.to_json(),
            "settling": self.settling.to_json(),
            "hold": self.hold.to_json(),
            "sweep": self.sweep.to_json(),
            "ripple": self.ripple.to_json(),
            "conditions": self.conditions.to_json(),
            "signs": [sign.to_json() for sign in self.signs],
        }


def figures_of(trace: Trace, settings: TraceSettings) -> TraceFigures:
    """Return every figure that a trace of its kind can give; the others say why not."""
    phases = Phases.of(trace)
    plateau = _plateau(phases, settings)
    build = _build(phases, settings, plateau)
    held_bar, window = plateau.pressure_bar.value, plateau.window
    settling = (
        settling_figures(phases, held_bar, window)
        if held_bar is not None and window is not None
        else no_settling(plateau.pressure_bar.reason or "no plateau")
    )
    is_hold, is_sweep = trace.kind is TraceKind.HOLD, trace.kind is TraceKind.DUTY_SWEEP
    return TraceFigures(
        method=METHOD,
        kind=trace.kind,
        rest=rest_figures(phases),
        plateau=plateau,
        build=build,
        settling=settling,
        hold=hold_figures(phases, settings) if is_hold else no_hold(_only(TraceKind.HOLD)),
        sweep=sweep_figures(trace) if is_sweep else no_sweep(_only(TraceKind.DUTY_SWEEP)),
        ripple=_ripple(phases, settings, plateau),
        conditions=condition_figures(phases, plateau.window),
        signs=(
            *duty_signs(phases, plateau.window, settings),
            *signs_of_intervention(phases, settings),
        ),
    )


def _only(kind: TraceKind) -> str:
    return f"only a trace of kind {kind} has one"


def _plateau(phases: Phases, settings: TraceSettings) -> PlateauFigures:
    kind = phases.trace.kind
    if kind in (TraceKind.PROOF, TraceKind.START_UP):
        return plateau_figures(phases, settings.target_bar, kind is TraceKind.PROOF)
    return no_plateau(f"a trace of kind {kind} has none")


def _build(phases: Phases, settings: TraceSettings, plateau: PlateauFigures) -> BuildFigures:
    if phases.trace.kind is TraceKind.DUTY_SWEEP:
        return no_build("a trace of kind duty_sweep has none")
    top_bar = plateau.pressure_bar.value
    if top_bar is None:
        top_bar = float(phases.blocks.rail_bar.max())
    return build_figures(phases, settings.target_bar, top_bar, settings.inlet_valve_unplugged)


def _ripple(phases: Phases, settings: TraceSettings, plateau: PlateauFigures) -> RippleFigures:
    if plateau.window is None:
        return no_ripple("no plateau")
    return ripple_figures(phases.trace, phases.near_level, settings)
