"""Stated probabilities against how often it came so: one chart definition."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt

from fleetdb.report.chart_style import BLUE, INK, svg_of

TITLE = "What was stated against what came"
WIDTH_PX, HEIGHT_PX = 400, 300


def calibration_svg(reliability: Sequence[Mapping[str, Any]]) -> str:
    """Return the chart of a scorecard's ``reliability`` (rows of tenth, n, stated, observed)."""
    return svg_of(calibration_chart(reliability), TITLE, calibration_words(reliability))


def calibration_chart(reliability: Sequence[Mapping[str, Any]]) -> alt.LayerChart:
    """Return a point per tenth, its number of month ends beside it, and the line of exact ones."""
    points = [
        {"stated": row["stated"], "observed": row["observed"], "n": f"{row['n']:,}"}
        for row in reliability
    ]
    share = alt.Scale(domain=[0, 1], nice=False)
    x = alt.X("stated:Q", title="stated", scale=share, axis=alt.Axis(format="%", tickCount=5))
    y = alt.Y("observed:Q", title="came so", scale=share, axis=alt.Axis(format="%", tickCount=5))
    exact = alt.Chart(
        alt.Data(values=[{"stated": 0, "observed": 0}, {"stated": 1, "observed": 1}])
    ).mark_line(color=INK, strokeDash=[6, 4], strokeWidth=1)
    seen = alt.Chart(alt.Data(values=points))
    # Left of the line where there is no room to the right of the point.
    beside = seen.mark_text(
        align=alt.expr("datum.stated > 0.8 ? 'right' : 'left'"),
        dx=alt.expr("datum.stated > 0.8 ? -9 : 9"),
        baseline="middle",
    )
    layers = [
        exact.encode(x=x, y=y),
        seen.mark_point(filled=True, color=BLUE, size=90, opacity=1).encode(x=x, y=y),
        beside.encode(x=x, y=y, text="n:N"),
    ]
    return alt.LayerChart(layer=layers).properties(width=WIDTH_PX, height=HEIGHT_PX)


def calibration_words(reliability: Sequence[Mapping[str, Any]]) -> str:
    """Return in words what the chart shows."""
    said = [
        f"stated {row['stated']:.0%}, came so {row['observed']:.0%} of {row['n']:,} month ends"
        for row in reliability
    ]
    return "By tenths of what was stated: " + "; ".join(said) + "."
