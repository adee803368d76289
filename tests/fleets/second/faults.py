"""What goes wrong beside the pump: injectors, regulator or rail, filter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.fleets.second.kinds import Family, Kind

_YEAR_DAYS = 365.25
_ROUTINE_FILTER_DAYS = (300.0, 430.0)
_ROUTINE_RECORDED = 0.6
CAUSES = {
    "injector": "injector_leak",
    "injector_set": "injector_leak",
    "regulator": "regulator_or_rail_leak",
    "fuel_filter": "supply_side",
}


@dataclass
class Fault:
    """A part going wrong from ``begins`` on, changed on ``ends`` (infinity: not yet).

    ``size`` at full growth, ``grows_days`` after its begin: what a leaking injector leaks
    more, over its own leak when new; what a regulator leaks, over the pump's new flow; the
    share of flow a filter takes.
    """

    part: str
    cylinder: int | None
    begins: float
    grows_days: float
    bend: float
    size: float
    ends: float
    on_road: bool = False

    @property
    def cause(self) -> str:
        return CAUSES[self.part]

    def size_on(self, day: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the size on each day; growth goes on until the part is changed."""
        grown = (np.maximum(day - self.begins, 0.0) / self.grows_days) ** self.bend
        return np.where(day < self.ends, self.size * grown, 0.0)


@dataclass(frozen=True)
class _Fashion:
    part: str
    per_year: float
    size: tuple[float, float]
    grows_days: tuple[float, float]
    bend: tuple[float, float]
    lasts: tuple[float, float]  # of its growth, until somebody changes the part unasked


def draw_faults(
    kind: Kind, family: Family, days: int, rng: np.random.Generator
) -> tuple[list[Fault], list[tuple[float, bool]]]:
    """Draw a vehicle's faults, and its routine filter changes (day, recorded).

    A routine change ends a clogging filter's fault.
    """
    filters: list[tuple[float, bool]] = []
    at = rng.uniform(0, _ROUTINE_FILTER_DAYS[1])
    while at < days:
        filters.append((float(at), bool(rng.random() < _ROUTINE_RECORDED)))
        at += rng.uniform(*_ROUTINE_FILTER_DAYS)
    faults = []
    for fashion in (
        _Fashion("injector", kind.injectors, (3.0, 11.0), (150, 600), (0.7, 2.0), (0.6, 1.3)),
        _Fashion("injector_set", kind.injector_sets, (0.6, 2.2), (400, 1400), (0.8, 1.6), (0.7, 1)),
        _Fashion("regulator", kind.regulators, (0.15, 0.5), (90, 500), (0.7, 1.8), (0.5, 1.2)),
        _Fashion("fuel_filter", kind.filters, (0.12, 0.42), (60, 250), (1.0, 2.5), (0.7, 1.1)),
    ):
        for _ in range(int(rng.poisson(fashion.per_year * days / _YEAR_DAYS))):
            begins = float(rng.uniform(0, days))
            grows = float(rng.uniform(*fashion.grows_days))
            ends = begins + grows * float(rng.uniform(*fashion.lasts))
            if fashion.part == "fuel_filter":
                ends = min([ends, *(day for day, _ in filters if day > begins)])
            cylinder = int(rng.integers(family.cylinders)) if fashion.part == "injector" else None
            bend, size = float(rng.uniform(*fashion.bend)), float(rng.uniform(*fashion.size))
            faults.append(Fault(fashion.part, cylinder, begins, grows, bend, size, ends))
    return faults, filters
