"""The small line of a vehicle's last proof ratios, as drawn in the list, and its words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

WIDTH_PX, HEIGHT_PX = 96, 28
_MARGIN_PX = 3.0
# One scale for all lines, so that they can be compared down the list.
_LOWEST, _HIGHEST = 0.4, 1.1


@dataclass(frozen=True, slots=True)
class TrendLine:
    """Points of a polyline in ``WIDTH_PX`` by ``HEIGHT_PX``, the last point, and words for both."""

    points: str
    last_x: float
    last_y: float
    words: str


def trend_line(ratios: Sequence[tuple[datetime, float]]) -> TrendLine | None:
    """Return the line of (performed at, proof ratio) in time order, None without any."""
    if not ratios:
        return None
    first, last = ratios[0][0], ratios[-1][0]
    span_s = max((last - first).total_seconds(), 1.0)
    places = [
        (_x((at - first).total_seconds() / span_s if len(ratios) > 1 else 1.0), _y(ratio))
        for at, ratio in ratios
    ]
    if len(ratios) == 1:
        words = f"one proof ratio, {ratios[0][1]:.2f}"
    else:
        words = (
            f"{len(ratios)} proof ratios, from {ratios[0][1]:.2f} on {first:%Y-%m-%d} "
            f"to {ratios[-1][1]:.2f} on {last:%Y-%m-%d}"
        )
    return TrendLine(" ".join(f"{x:.1f},{y:.1f}" for x, y in places), *places[-1], words)


def _x(share: float) -> float:
    return round(_MARGIN_PX + share * (WIDTH_PX - 2 * _MARGIN_PX), 1)


def _y(ratio: float) -> float:
    share = (min(max(ratio, _LOWEST), _HIGHEST) - _LOWEST) / (_HIGHEST - _LOWEST)
    return round(HEIGHT_PX - _MARGIN_PX - share * (HEIGHT_PX - 2 * _MARGIN_PX), 1)
