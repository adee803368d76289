"""Everything that can be asked of the generator, in one frozen object."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

from demo_fleet.climate import DAYS_PER_YEAR, ClimateOptions
from demo_fleet.faults import FaultOptions
from demo_fleet.habits import HabitOptions
from demo_fleet.kits import KitOptions
from demo_fleet.physics import Fuel
from demo_fleet.readings import ReadingOptions
from demo_fleet.usage import UsageOptions
from demo_fleet.visits import VisitOptions
from demo_fleet.wear import WearOptions


@dataclass(frozen=True)
class OperatorOptions:
    """What the operator does about what it sees, without any help: little."""

    # A raw ratio below this makes somebody look, but not every time.
    action_ratio: float = 0.80
    action_share: float = 0.12
    worn_below_reserve: float = 1.15
    entering_share: float = 0.12
    oldest_years: float = 6.0


@dataclass(frozen=True)
class FleetOptions:
    """Size, span and seed of a fleet, and how each part of it behaves.

    The same options give the same bytes. ``ends_on`` is the last day of the history.
    """

    vehicles: int = 240
    years: float = 4.0
    seed: int = 7
    ends_on: date = date(2026, 6, 30)
    fuel: Fuel = field(default_factory=Fuel)
    climate: ClimateOptions = field(default_factory=ClimateOptions)
    usage: UsageOptions = field(default_factory=UsageOptions)
    wear: WearOptions = field(default_factory=WearOptions)
    faults: FaultOptions = field(default_factory=FaultOptions)
    kits: KitOptions = field(default_factory=KitOptions)
    visits: VisitOptions = field(default_factory=VisitOptions)
    readings: ReadingOptions = field(default_factory=ReadingOptions)
    habits: HabitOptions = field(default_factory=HabitOptions)
    operator: OperatorOptions = field(default_factory=OperatorOptions)

    def __post_init__(self) -> None:
        if self.vehicles < 1:
            raise ValueError(f"a fleet has at least one vehicle, not {self.vehicles}")
        if not 0.25 <= self.years <= 20:
            raise ValueError(f"the history lasts 0.25 to 20 years, not {self.years:g}")

    @property
    def days(self) -> int:
        return round(self.years * DAYS_PER_YEAR)

    @property
    def starts_on(self) -> date:
        return self.ends_on - timedelta(days=self.days - 1)

    @property
    def depot_count(self) -> int:
        return max(5, self.vehicles // 200)

    @property
    def workshop_count(self) -> int:
        return max(6, self.vehicles // 160)

    @property
    def kit_count(self) -> int:
        return max(10, self.vehicles // 60)
