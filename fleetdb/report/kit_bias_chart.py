"""What a kit adds to the pressures it reads, over time: one chart definition."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import altair as alt

from fleetdb.report.chart_style import BLUE, INK, VERMILION, Size, svg_of
from fleetdb.report.kit_readings import KitMoment
from fleetdb.trend.kits import OFF

SIZES = {"wide": Size(560, 220, 6), "narrow": Size(290, 220, 4)}
_LINE_PCT = 100 * OFF
_MIDDLE_80_PCT = 1.28  # standard deviations either side


def kit_bias_svg(
    kit: str, past: Sequence[KitMoment], calibrated: Sequence[datetime], size: str = "wide"
) -> str:
    """Return the chart of a kit's past as an SVG document."""
    title = f"What kit {kit} adds to every pressure"
    chart = kit_bias_chart(past, calibrated, SIZES[size])
    return svg_of(chart, title, kit_bias_words(past, calibrated))


def kit_bias_chart(
    past: Sequence[KitMoment], calibrated: Sequence[datetime], size: Size
) -> alt.LayerChart:
    """Return the bias as a line in its 80 % band, between the lines at which it is off.

    Tests at which it read off are diamonds; calibrations are upright lines with their name.
    """
    rows = [
        {
            "at": moment.at.isoformat(),
            "bias": moment.bias_pct,
            "low": moment.bias_pct - _MIDDLE_80_PCT * moment.sd_bias_pct,
            "high": moment.bias_pct + _MIDDLE_80_PCT * moment.sd_bias_pct,
        }
        for moment in past
    ]
    off = [
        {"at": moment.at.isoformat(), "bias": moment.bias_pct}
        for moment in past
        if moment.reads_off
    ]
    # Always the same scale unless a kit needs more, so that pictures can be compared.
    widest = max([8.0, *(abs(row[end]) for row in rows for end in ("low", "high"))])
    x = alt.X("at:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(tickCount=size.ticks))
    y = alt.Y(
        "bias:Q",
        title="adds [%]",
        scale=alt.Scale(domain=[-widest, widest], nice=False),
    )
    seen = alt.Chart(alt.Data(values=rows))
    lines = alt.Chart(alt.Data(values=[{"bias": _LINE_PCT}, {"bias": -_LINE_PCT}]))
    layers: list[alt.Chart] = [
        lines.mark_rule(color=INK, strokeDash=[6, 4], opacity=0.7).encode(y=y),
        seen.mark_area(color=BLUE, opacity=0.25).encode(x=x, y=alt.Y("low:Q"), y2="high:Q"),
        seen.mark_line(color=BLUE, strokeWidth=2).encode(x=x, y=y),
        alt.Chart(alt.Data(values=off))
        .mark_point(shape="diamond", filled=True, color=VERMILION, size=60, opacity=1)
        .encode(x=x, y=y),
    ]
    if calibrated:
        marks = alt.Chart(alt.Data(values=[{"at": at.isoformat()} for at in calibrated]))
        layers += [
            marks.mark_rule(color=INK, strokeDash=[2, 3]).encode(x=x),
            marks.mark_text(text="calibrated", align="left", baseline="top", dx=4).encode(
                x=x, y=alt.value(2)
            ),
        ]
    return alt.LayerChart(layer=layers).properties(width=size.width_px, height=size.height_px)


def kit_bias_words(past: Sequence[KitMoment], calibrated: Sequence[datetime]) -> str:
    """Return in words what the chart shows."""
    if not past:
        return "No test says anything of it yet."
    first, last = past[0], past[-1]
    n_off = sum(moment.reads_off for moment in past)
    said = [
        f"From {first.at:%Y-%m-%d} to {last.at:%Y-%m-%d}: first {first.bias_pct:+.1f} %, "
        f"last {last.bias_pct:+.1f} %, lowest {min(m.bias_pct for m in past):+.1f} %, "
        f"highest {max(m.bias_pct for m in past):+.1f} %.",
        f"It read off at {n_off} of {len(past)} moments." if n_off else "It never read off.",
    ]
    if calibrated:
        said.append("Calibrated " + ", ".join(f"{at:%Y-%m-%d}" for at in sorted(calibrated)) + ".")
    return " ".join(said)
