"""What goes wrong beside the pump: injectors, regulator, fuel supply."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.climate import DAYS_PER_YEAR
from demo_fleet.physics import Array


@dataclass(frozen=True)
class FaultOptions:
    """How often each fault comes, how big it grows, how fast, and how long it is left."""

    injectors_per_year: float = 0.045
    injector_sets_per_year: float = 0.012
    regulators_per_year: float = 0.02
    filters_per_year: float = 0.08
    # Factor on one injector's own leakage; on every injector's of a set.
    injector_factor: tuple[float, float] = (2.5, 8.0)
    injector_set_factor: tuple[float, float] = (1.5, 3.0)
    # As a share of all the leakage of a new system.
    regulator_leak: tuple[float, float] = (0.12, 0.5)
    # Share of the flow a clogged filter holds back.
    filter_loss: tuple[float, float] = (0.08, 0.35)
    growth_days: tuple[float, float] = (15.0, 200.0)
    left_days: tuple[float, float] = (40.0, 300.0)


@dataclass
class Fault:
    """One fault: it grows to ``size`` over ``growth_days`` and ends with a new part."""

    part: str
    cylinder: int | None
    begins: float
    growth_days: float
    size: float
    ends: float
    on_road: bool = False

    def value(self, day: Array) -> Array:
        """Return the fault's size at each time."""
        grown = self.size * np.clip((day - self.begins) / self.growth_days, 0, 1)
        return np.where(day < self.ends, grown, 0.0)


CAUSE_OF_PART = {
    "injector": "injector_leak",
    "injector_set": "injector_leak",
    "regulator": "regulator_or_rail_leak",
    "fuel_filter": "supply_side",
}


def draw_faults(
    options: FaultOptions, cylinders: int, entry_day: float, days: int, rng: np.random.Generator
) -> list[Fault]:
    """Draw one vehicle's faults from its entry on; sizes are added shares of what is new."""
    kinds = (
        ("injector", options.injectors_per_year, options.injector_factor, -1.0),
        ("injector_set", options.injector_sets_per_year, options.injector_set_factor, -1.0),
        ("regulator", options.regulators_per_year, options.regulator_leak, 0.0),
        ("fuel_filter", options.filters_per_year, options.filter_loss, 0.0),
    )
    faults: list[Fault] = []
    for part, per_year, sizes, offset in kinds:
        for _ in range(rng.poisson(per_year * max(days - entry_day, 0) / DAYS_PER_YEAR)):
            begins = float(rng.uniform(entry_day, days))
            growth = float(rng.uniform(*options.growth_days))
            faults.append(
                Fault(
                    part=part,
                    cylinder=int(rng.integers(1, cylinders + 1)) if part == "injector" else None,
                    begins=begins,
                    growth_days=growth,
                    size=float(rng.uniform(*sizes)) + offset,
                    ends=begins + growth + float(rng.uniform(*options.left_days)),
                )
            )
    return faults
