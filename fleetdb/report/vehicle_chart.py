"""A vehicle's tests as a picture: four panels over dates or distance, one chart definition."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import altair as alt

from fleetdb.report.chart_style import BLUE, GREEN, INK, ORANGE, SKY, VERMILION, Size, svg_of
from fleetdb.report.vehicle_points import NO_KIT, Over, Points, Rows

# Cylinders are told apart by their number, which is the mark itself; colour only helps.
_CYLINDERS = (BLUE, VERMILION, GREEN, ORANGE, "#CC79A7", SKY)
_SHAPES = (
    *("circle", "square", "triangle-up", "diamond"),
    *("triangle-down", "triangle-right", "triangle-left", "cross"),
)
_X = "M-0.8,-0.8L0.8,0.8M-0.8,0.8L0.8,-0.8"
_LETTER_PX, _LETTER_ROWS = 16, 3
_ROOM_FOR_NUMBERS_PX = 500


@dataclass(frozen=True)
class PanelSize(Size):
    """Size of each panel, and how many kits the legend has in a row."""

    kits_in_a_row: int


SIZES = {"wide": PanelSize(820, 110, 10, 10), "narrow": PanelSize(290, 140, 4, 4)}


def vehicle_svg(vehicle: str, points: Points, size: str = "wide") -> str:
    """Return the picture as an SVG document, with words for who sees none."""
    chart = vehicle_chart(points, SIZES[size])
    return svg_of(chart, f"Tests of {vehicle}", picture_words(points))


def vehicle_chart(points: Points, size: PanelSize) -> alt.VConcatChart:
    """Return proof ratio, build rate, delivery reserve and leak, over one axis."""
    applied = points.applied
    axis = _Axis(points, size)
    limit = applied.proof_ratio_limit
    panels = [
        axis.panel(
            "proof ratio",
            [
                *axis.fan(points.ahead_ratio, GREEN),
                *axis.line_at(limit, f"limit {limit:.2f}"),
                *axis.readings(points.ratios, points.kits),
            ],
            lettered=True,
        )
    ]
    if points.builds:
        panels.append(axis.panel("build rate [bar/s]", axis.readings(points.builds, points.kits)))
    if points.reserves:
        panels.append(
            axis.panel(
                "delivery reserve",
                [
                    *axis.fan(points.ahead_reserve, GREEN),
                    *axis.believed(points.reserves),
                    *axis.line_at(limit, f"limit {limit:.2f}"),
                ],
            )
        )
    if points.leaks:
        layers = axis.leaks(points.leaks)
        if applied.leak_limit_ml_per_min is not None:
            share = applied.leak_limit_ml_per_min / applied.cylinders
            if max(row["value"] for row in points.leaks) > 0.5 * share:
                layers += axis.line_at(share, f"even share of the limit, {share:.0f}")
        panels.append(axis.panel("leak [mL/min]", layers))
    return alt.vconcat(*panels, spacing=14).resolve_scale(shape="shared", color="independent")


def picture_words(points: Points) -> str:
    """Return in words what the picture shows."""
    said = [f"{len(points.ratios)} proof ratios, {len(points.builds)} build rates"]
    if points.ratios:
        first, last = points.ratios[0]["value"], points.ratios[-1]["value"]
        said.append(f"proof ratio at reference conditions from {first:.2f} to {last:.2f}")
    if points.reserves:
        reserve = points.reserves[-1]
        said.append(
            f"delivery reserve after the last test {reserve['middle']:.2f} "
            f"({reserve['low']:.2f} to {reserve['high']:.2f})"
        )
    said.append(f"limit {points.applied.proof_ratio_limit:.2f}")
    if points.ahead_reserve:
        last = points.ahead_reserve[-1]
        said.append(f"in a year {last['middle']:.2f} ({last['low']:.2f} to {last['high']:.2f})")
    return "; ".join(said) + ". The table of the tests has the same figures."


class _Axis:
    """The horizontal axis all panels share, and marks along it."""

    def __init__(self, points: Points, size: PanelSize) -> None:
        self.points = points
        self.size = size
        date = points.over is Over.DATE
        self.field = "x:T" if date else "x:Q"
        self.scale = alt.Scale(
            domain=list(points.span), nice=False, type="utc" if date else "linear"
        )
        self.labels: dict[str, Any] = {
            "tickCount": size.ticks,
            "labelOverlap": True,
            "title": None if date else "odometer [km]",
            **({"formatType": "utc"} if date else {"format": ",.0f"}),
        }

    @property
    def x(self) -> alt.X:
        return alt.X(self.field, scale=self.scale, axis=alt.Axis(**self.labels))

    def panel(self, name: str, layers: list[alt.Chart], *, lettered: bool = False) -> Any:
        """Return one panel with what happened marked in it, by letter where ``lettered``."""
        marks = [*self._events(), *(self._letters() if lettered else [])]
        title = alt.Title(name, anchor="start", frame="group", color=INK, fontSize=14, offset=4)
        return alt.layer(*marks, *layers).properties(
            title=title, width=self.size.width_px, height=self.size.height_px
        )

    def readings(self, rows: Rows, kits: list[str]) -> list[alt.Chart]:
        """Return readings: as made a dash, at reference filled, set aside hollow and named."""
        shape = alt.Shape(
            "kit:N",
            scale=alt.Scale(domain=kits, range=_shapes(kits)),
            legend=alt.Legend(
                title="kit", orient="bottom", columns=self.size.kits_in_a_row, symbolFillColor=INK
            ),
        )
        y = alt.Y("value:Q", title=None, scale=alt.Scale(zero=False))
        raw = alt.Y("raw:Q", title=None, scale=alt.Scale(zero=False))
        used = _data([row for row in rows if not row["aside"]])
        aside = _data([row for row in rows if row["aside"]])
        every = _data(rows)
        return [
            every.mark_rule(opacity=0.35).encode(x=self.x, y=raw, y2="value:Q"),
            every.mark_point(shape="stroke", color=INK, size=50, opacity=0.7).encode(
                x=self.x, y=raw
            ),
            used.mark_point(
                filled=True, color=BLUE, size=55, opacity=1, stroke=INK, strokeWidth=0.6
            ).encode(x=self.x, y=y, shape=shape),
            aside.mark_point(
                filled=False, color=VERMILION, size=70, strokeWidth=2, opacity=1
            ).encode(x=self.x, y=y, shape=shape),
            aside.mark_text(dy=-13, fontSize=12).encode(x=self.x, y=y, text=alt.value("set aside")),
        ]

    def believed(self, rows: Rows) -> list[alt.Chart]:
        """Return the reserve after each test: 10 to 90 % as a band, the middle as a line."""
        chart = _data(rows)
        y = alt.Y("middle:Q", title=None, scale=alt.Scale(zero=False))
        return [
            chart.mark_area(color=SKY, opacity=0.4).encode(
                x=self.x, y=alt.Y("low:Q", title=None), y2="high:Q", detail="pump:N"
            ),
            chart.mark_line(color=BLUE, strokeWidth=1.5).encode(x=self.x, y=y, detail="pump:N"),
            chart.mark_point(filled=True, color=BLUE, size=22, opacity=1).encode(x=self.x, y=y),
        ]

    def fan(self, rows: Rows, colour: str) -> list[alt.Chart]:
        """Return what is to come: 10 to 90 % as a band, the middle as a dashed line."""
        if not rows:
            return []
        chart = _data(rows)
        return [
            chart.mark_area(color=colour, opacity=0.3).encode(
                x=self.x, y=alt.Y("low:Q", title=None), y2="high:Q"
            ),
            chart.mark_line(color=INK, strokeDash=[5, 3], strokeWidth=1.5).encode(
                x=self.x, y=alt.Y("middle:Q", title=None)
            ),
        ]

    def line_at(self, level: float, name: str) -> list[alt.Chart]:
        """Return a level across the panel, with its name."""
        row = _data([{"level": level, "name": name}])
        y = alt.Y("level:Q", title=None)
        return [
            row.mark_rule(color=VERMILION, strokeWidth=1.5, strokeDash=[8, 3]).encode(y=y),
            row.mark_text(align="left", baseline="top", dx=3, dy=3, fontSize=12).encode(
                x=alt.value(0), y=y, text="name:N"
            ),
        ]

    def leaks(self, rows: Rows) -> list[alt.Chart]:
        """Return each cylinder's leak: its number at the reading, a dash where it was made."""
        chart = _data(rows)
        cylinders = sorted({row["cylinder"] for row in rows}, key=int)
        colours = [_CYLINDERS[n % len(_CYLINDERS)] for n in range(len(cylinders))]
        colour = alt.Color(
            "cylinder:N", scale=alt.Scale(domain=cylinders, range=colours), legend=None
        )
        y = alt.Y("value:Q", title=None, scale=alt.Scale(zero=False))
        numbered = chart
        if self.size.width_px < _ROOM_FOR_NUMBERS_PX:
            last = {row["cylinder"]: row for row in rows}
            numbered = _data(list(last.values()))
        return [
            chart.mark_line(strokeWidth=1, opacity=0.7, point={"size": 12}).encode(
                x=self.x, y=y, color=colour, detail="pump:N"
            ),
            chart.mark_point(shape="stroke", size=30, opacity=0.45, color=INK).encode(
                x=self.x, y=alt.Y("raw:Q", title=None)
            ),
            numbered.mark_text(fontSize=12, fontWeight="bold").encode(
                x=self.x, y=y, text="cylinder:N"
            ),
        ]

    def _events(self) -> list[alt.Chart]:
        looks = {
            "pump": {"strokeWidth": 2.5},
            "part": {"strokeWidth": 1, "strokeDash": [4, 3]},
            "finding": {"strokeWidth": 2, "strokeDash": [2, 2]},
        }
        return [
            _data(own).mark_rule(opacity=0.7, **look).encode(x=self.x)
            for sort, look in looks.items()
            if (own := [event for event in self.points.events if event["sort"] == sort])
        ]

    def _letters(self) -> list[alt.Chart]:
        """Return the events' letters above the panel, in rows where they would overlap."""
        rows: dict[int, Rows] = {}
        for event, row in zip(self.points.events, self._rows_of_letters(), strict=True):
            rows.setdefault(row, []).append(event)
        return [
            _data(events)
            .mark_text(baseline="bottom", dy=-3 - _LETTER_PX * row, fontSize=12, fontWeight="bold")
            .encode(x=self.x, y=alt.value(0), text="letter:N")
            for row, events in rows.items()
        ]

    def _rows_of_letters(self) -> list[int]:
        first, last = self.points.span
        px_per_x = self.size.width_px / (last - first)
        until = [float("-inf")] * _LETTER_ROWS
        chosen: list[int] = []
        for event in self.points.events:
            at = (event["x"] - first) * px_per_x
            row = next((n for n in range(_LETTER_ROWS) if at - until[n] >= _LETTER_PX), 0)
            until[row] = at
            chosen.append(row)
        return chosen


def _shapes(kits: list[str]) -> list[str]:
    """Return a shape for each kit; what no kit was named for is crossed."""
    return [_X if kit == NO_KIT else _SHAPES[n] for n, kit in enumerate(kits)]


def _data(rows: Rows) -> alt.Chart:
    return alt.Chart(alt.Data(values=rows))
