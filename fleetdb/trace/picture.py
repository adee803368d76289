"""The picture of a trace: one chart definition, for SVG here and for a page elsewhere."""

from __future__ import annotations

import re
from html import escape
from typing import Any

import altair as alt
import numpy as np
import vl_convert
from numpy.typing import NDArray

from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.figures import TraceFigures
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.settings import TraceSettings

WIDTH_PX, HEIGHT_PX = 760, 300
# Okabe & Ito 2008, "Color universal design": told apart by all kinds of colour vision. Every
# mark also has its name beside it.
_BLACK, _ORANGE, _SKY, _GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
_BLUE, _VERMILION, _PURPLE = "#0072B2", "#D55E00", "#CC79A7"


def chart(
    trace: Trace, figures: TraceFigures, settings: TraceSettings | None = None
) -> alt.VConcatChart:
    """Return the chart of a trace with what its figures were read from marked.

    Pressure against time; rest, climb, plateau and hold as labelled bands, the fitted level or
    climb in them, signs of intervention as labelled lines, and the target if ``settings`` are
    given; for a duty sweep pressure against duty below it. However long the trace, at most two
    points a pixel are drawn: the lowest and the highest. ``to_dict()`` gives Vega-Lite.
    """
    time_s, rail_bar = downsampled(trace.time_s, trace.rail_bar, WIDTH_PX)
    # Room above the pressures for the names of the bands.
    bottom, top = min(0.0, float(rail_bar.min())), 1.12 * max(float(rail_bar.max()), 1.0)
    # A sweep has no target to reach.
    target_bar = None
    if settings is not None and figures.kind is not TraceKind.DUTY_SWEEP:
        target_bar = settings.target_bar
        top = max(top, 1.05 * target_bar)
    layers: list[alt.Chart] = [*_bands(figures)]
    points = [{"s": float(t), "bar": float(p)} for t, p in zip(time_s, rail_bar, strict=True)]
    layers.append(
        _data(points)
        .mark_line(color=_BLUE, strokeWidth=1.2, strokeJoin="round")
        .encode(
            x=alt.X("s:Q", title="time [s]", scale=alt.Scale(nice=False)),
            y=alt.Y(
                "bar:Q",
                title="rail pressure [bar]",
                scale=alt.Scale(domain=[bottom, top], nice=False),
            ),
        )
    )
    layers += _levels(figures, target_bar)
    layers += _signs(figures)
    against_time = alt.layer(*layers).properties(width=WIDTH_PX, height=HEIGHT_PX)
    return (
        alt.vconcat(against_time, *_against_duty(figures))
        .properties(
            title=alt.Title(_title(figures), anchor="start"),
            description=text_alternative(trace, figures),
        )
        .configure_axis(gridColor="#dddddd", labelFontSize=11, titleFontSize=12)
        .configure_view(stroke=None)
    )


def svg(trace: Trace, figures: TraceFigures, settings: TraceSettings | None = None) -> str:
    """Return the chart as an SVG document, with its text alternative in title and description."""
    drawn = vl_convert.vegalite_to_svg(chart(trace, figures, settings).to_dict())
    spoken = (
        f"<title>{escape(_title(figures))}</title>"
        f"<desc>{escape(text_alternative(trace, figures))}</desc>"
    )
    named = re.sub(r"<svg ", '<svg role="img" ', drawn, count=1)
    return re.sub(r"(<svg [^>]*>)", lambda tag: tag[1] + spoken, named, count=1)


def downsampled(
    time_s: NDArray[np.float64], rail_bar: NDArray[np.float64], columns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the lowest and the highest sample of each of ``columns`` stretches, in time order.

    What one pixel wide would be drawn over is left out, and no peak is.
    """
    n = len(time_s)
    if n <= 2 * columns:
        return time_s, rail_bar
    edges = np.linspace(0, n, columns + 1).astype(np.int64)
    column = np.repeat(np.arange(columns), np.diff(edges))
    # Sorted by pressure within each column: its first and last are the lowest and the highest.
    order = np.lexsort((rail_bar, column))
    kept = np.unique(np.concatenate([order[edges[:-1]], order[edges[1:] - 1]]))
    return time_s[kept], rail_bar[kept]


def text_alternative(trace: Trace, figures: TraceFigures) -> str:
    """Return in words what the picture shows."""
    said = [
        f"Rail pressure over {trace.duration_s:.1f} s, from {trace.rail_bar[0]:.0f} bar, "
        f"between {trace.rail_bar.min():.0f} and {trace.rail_bar.max():.0f} bar."
    ]
    named = (
        ("At rest", figures.rest.pressure_bar),
        ("Climbs at", figures.build.rate_bar_per_s),
        ("Plateau", figures.plateau.pressure_bar),
        ("Overshoot", figures.settling.overshoot_bar),
        ("Decay", figures.hold.decay_bar_per_s),
        ("Leak", figures.hold.leak_ml_per_min),
        ("Rises per duty by", figures.sweep.slope_bar_per_pct),
        ("Ripple by stroke", figures.ripple.stroke_amplitude_bar),
    )
    said += [f"{name} {_words(figure)}." for name, figure in named if figure.value is not None]
    said += [f"At {sign.at_s:.1f} s: {sign.detail}." for sign in figures.signs]
    return " ".join(said)


def _words(figure: Figure) -> str:
    return f"{figure.value:.4g} {figure.unit}"


def _title(figures: TraceFigures) -> str:
    return f"Rail pressure, {figures.kind.value.replace('_', ' ')}"


def _data(rows: list[dict[str, Any]]) -> alt.Chart:
    return alt.Chart(alt.Data(values=rows))


def _bands(figures: TraceFigures) -> list[alt.Chart]:
    """Return the stretches that figures were read from, shaded, each with its name on top."""
    bands: list[tuple[str, Window | None, str]] = [
        ("rest", figures.rest.window, _ORANGE),
        ("build", figures.build.window, _GREEN),
        ("plateau", figures.plateau.window, _SKY),
        ("hold", figures.hold.window, _PURPLE),
    ]
    rows = [
        {"name": name, "from": w.from_s, "to": w.to_s, "colour": colour}
        for name, w, colour in bands
        if w is not None
    ]
    if not rows:
        return []
    colour = alt.Color("colour:N", scale=None)
    shade = (
        _data(rows)
        .mark_rect(opacity=0.25)
        .encode(x=alt.X("from:Q"), x2=alt.X2("to:Q"), color=colour)
    )
    name = (
        _data(rows)
        .mark_text(align="left", baseline="top", dx=2, color=_BLACK, fontSize=11)
        .encode(x=alt.X("from:Q"), y=alt.value(4), text="name:N")
    )
    return [shade, name]


def _levels(figures: TraceFigures, target_bar: float | None) -> list[alt.Chart]:
    """Return the level found, the climb found and the target, as lines with different dashes."""
    rows: list[dict[str, Any]] = []

    def line(name: str, dash: list[int], ends: tuple[tuple[float, float], tuple[float, float]]):
        for s, bar in ends:
            rows.append({"name": name, "s": s, "bar": bar, "dash": ",".join(map(str, dash))})

    level, window = figures.plateau.pressure_bar.value, figures.plateau.window
    if level is not None and window is not None:
        line("plateau", [1, 0], ((window.from_s, level), (window.to_s, level)))
    build = figures.build
    if build.window is not None and build.from_bar is not None and build.to_bar is not None:
        ends = (build.window.from_s, build.from_bar), (build.window.to_s, build.to_bar)
        line("build", [1, 0], ends)
    lines: list[alt.Chart] = []
    if rows:
        lines.append(
            _data(rows)
            .mark_line(color=_BLACK, strokeWidth=2)
            .encode(x=alt.X("s:Q"), y=alt.Y("bar:Q"), detail="name:N")
        )
    if target_bar is not None:
        target = [{"bar": target_bar, "name": f"target {target_bar:g} bar"}]
        lines.append(
            _data(target).mark_rule(color=_BLACK, strokeDash=[6, 4]).encode(y=alt.Y("bar:Q"))
        )
        lines.append(
            _data(target)
            .mark_text(align="right", baseline="bottom", dx=-2, color=_BLACK, fontSize=11)
            .encode(x=alt.value(WIDTH_PX), y=alt.Y("bar:Q"), text="name:N")
        )
    return lines


def _signs(figures: TraceFigures) -> list[alt.Chart]:
    rows = [{"s": sign.at_s, "name": sign.code.replace("_", " ")} for sign in figures.signs]
    if not rows:
        return []
    rule = _data(rows).mark_rule(color=_VERMILION, strokeDash=[2, 2]).encode(x=alt.X("s:Q"))
    name = (
        _data(rows)
        .mark_text(align="left", dx=4, color=_BLACK, fontSize=11)
        .encode(x=alt.X("s:Q"), y=alt.value(HEIGHT_PX / 2), text="name:N")
    )
    return [rule, name]


def _against_duty(figures: TraceFigures) -> list[alt.LayerChart]:
    """Return pressure against duty with the straight line, for a sweep."""
    rows = [
        {"duty": p.duty_pct, "bar": p.rail_bar, "line": p.line_bar} for p in figures.sweep.points
    ]
    if not rows:
        return []
    duty = alt.X("duty:Q", title="regulator duty [%]", scale=alt.Scale(zero=False))
    line = _data(rows).mark_line(color=_BLACK, strokeDash=[6, 4]).encode(x=duty, y="line:Q")
    points = (
        _data(rows)
        .mark_point(color=_VERMILION, filled=True, size=28)
        .encode(x=duty, y=alt.Y("bar:Q", title="rail pressure [bar]"))
    )
    return [alt.LayerChart(layer=[line, points]).properties(width=WIDTH_PX, height=HEIGHT_PX)]
