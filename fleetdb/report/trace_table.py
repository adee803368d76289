"""The figures of a trace as a table a person reads."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table

from fleetdb.cautions import CAUTIONS
from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.figures import TraceFigures
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.settings import TraceSettings

Row = tuple[str, Figure, str]

_DECIMALS = {"bar": 1, "bar/s": 1, "-": 3, "s": 2, "mL/min": 2, "bar/%": 2}


def print_figures(
    trace: Trace, figures: TraceFigures, settings: TraceSettings, console: Console
) -> None:
    """Print every figure with its uncertainty and window, or why there is none; signs; cautions."""
    console.print(
        f"{figures.kind.value.replace('_', ' ')}, {trace.duration_s:.1f} s at "
        f"{trace.rate_hz:.0f} Hz; target {settings.target_bar:g} bar; method {figures.method}",
        highlight=False,
    )
    table = Table("figure", "value", "±", "unit", "from")
    for column in table.columns[1:3]:
        column.justify = "right"
    for name, figure, about in _rows(figures):
        if figure.value is None or figure.sd is None:
            table.add_row(name, "", "", figure.unit, figure.reason or "")
        else:
            digits = _DECIMALS.get(figure.unit, 1)
            table.add_row(
                name, f"{figure.value:.{digits}f}", f"{figure.sd:.{digits}f}", figure.unit, about
            )
    console.print(table)
    for line in _said(figures, settings):
        console.print(f"  - {line}", highlight=False, markup=False)
    for caution in CAUTIONS:
        console.print(caution, highlight=False, markup=False)


def _rows(figures: TraceFigures) -> Iterator[Row]:
    """Yield the figures that a trace of its kind can have."""
    kind = figures.kind
    yield "rest pressure", figures.rest.pressure_bar, _when(figures.rest.window)
    if kind in (TraceKind.PROOF, TraceKind.START_UP):
        plateau = figures.plateau
        level = "" if plateau.is_level else ", still moving"
        yield "plateau pressure", plateau.pressure_bar, _when(plateau.window) + level
    if kind is TraceKind.PROOF:
        yield "proof ratio", figures.plateau.proof_ratio, "plateau over target"
    if kind is not TraceKind.DUTY_SWEEP:
        build = figures.build
        ends = "" if build.from_bar is None else f"{build.from_bar:.0f} to {build.to_bar:.0f} bar, "
        yield "build rate", build.rate_bar_per_s, ends + _when(build.window)
        yield "time to 90 % of target", build.time_to_near_target_s, "from leaving rest"
        yield "time to target", build.time_to_target_s, "from leaving rest"
    if kind in (TraceKind.PROOF, TraceKind.START_UP):
        settling, ripple = figures.settling, figures.ripple
        yield "overshoot", settling.overshoot_bar, "over the plateau"
        yield "settling time", settling.settling_time_s, "from leaving rest to within 3 %"
        yield "stroke ripple", ripple.stroke_amplitude_bar, _when(ripple.window)
        for number, share in enumerate(ripple.element_shares, start=1):
            yield f"element {number} delivers", share, "of the mean"
    if kind is TraceKind.HOLD:
        hold = figures.hold
        at = "" if hold.at_bar is None else f"at {hold.at_bar:.0f} bar, "
        yield "hold decay", hold.decay_bar_per_s, at + _when(hold.window)
        yield "half-life", hold.half_life_s, "at that rate"
        yield "leak", hold.leak_ml_per_min, "at target and reference temperature"
    if kind is TraceKind.DUTY_SWEEP:
        sweep = figures.sweep
        worst = "" if sweep.worst_duty_pct is None else f"at {sweep.worst_duty_pct:.0f} % duty"
        yield "pressure per duty", sweep.slope_bar_per_pct, "straight line"
        yield "worst departure", sweep.departure_bar, worst
        yield "worst departure", sweep.departure_share, "of the line's span"
        yield "more when falling", sweep.hysteresis_bar, "duty down against up"


def _when(window: Window | None) -> str:
    return "" if window is None else f"{window.from_s:.2f} to {window.to_s:.2f} s"


def _said(figures: TraceFigures, settings: TraceSettings) -> Iterator[str]:
    if figures.rest.is_offset:
        yield "at rest the sensor does not read nothing: it is off by about that much"
    if figures.ripple.element_shares:
        yield figures.ripple.weak_element_reason
    if figures.build.rate_bar_per_s.value is not None and not settings.inlet_valve_unplugged:
        connected = settings.inlet_valve_unplugged is False
        yield (
            "the inlet metering valve was connected: the control unit counteracts, and this is "
            "no clean build rate"
            if connected
            else "not said whether the inlet metering valve was unplugged: connected, the control "
            "unit counteracts, and this is no clean build rate"
        )
    for sign in figures.signs:
        yield f"at {sign.at_s:.1f} s {sign.detail}"
