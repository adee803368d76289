"""How charts of pages look: ink that follows light and dark, and words for who sees no picture."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from typing import Any

import altair as alt
import vl_convert

# Okabe & Ito 2008, "Color universal design"; marks also differ in shape or have their name.
ORANGE, SKY, GREEN, BLUE, VERMILION = "#E69F00", "#56B4E9", "#009E73", "#0072B2", "#D55E00"
INK = "currentColor"
# An SVG shown as an image takes no colours from the page around it, but knows its scheme.
_INK = "<style>svg{color:#15181c}@media(prefers-color-scheme:dark){svg{color:#eceff2}}</style>"
_CONFIG: dict[str, Any] = {
    "background": "transparent",
    # The words of title and description stand for the picture; naming each mark trebles it.
    "aria": False,
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "titleColor": INK,
        "domainColor": INK,
        "tickColor": INK,
        "gridColor": INK,
        "gridOpacity": 0.15,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
    },
    "legend": {"labelColor": INK, "titleColor": INK, "labelFontSize": 13, "titleFontSize": 13},
    "text": {"color": INK, "fontSize": 13},
    "rule": {"color": INK},
}


@dataclass(frozen=True)
class Size:
    """Size of a panel, and marks along its axis."""

    width_px: int
    height_px: int
    ticks: int


def svg_of(chart: alt.TopLevelMixin, title: str, description: str) -> str:
    """Return a chart as an SVG document that says in words what it shows.

    Ink is black on nothing, near white where the reader's colour scheme is dark.
    """
    drawn = vl_convert.vegalite_to_svg({**chart.to_dict(validate=False), "config": _CONFIG})
    words = f"<title>{escape(title)}</title><desc>{escape(description)}</desc>{_INK}"
    return re.sub(r"<svg ([^>]*)>", rf'<svg role="img" \1>{_literal(words)}', drawn, count=1)


def _literal(text: str) -> str:
    return text.replace("\\", r"\\")
