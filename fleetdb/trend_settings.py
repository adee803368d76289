"""What a fleet may set of how its pumps are judged: how far ahead, and its fuel."""

from __future__ import annotations

from dataclasses import dataclass

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.fluid import WaltherFluid

HORIZON_DAYS = (15.0, 365.0)
TEMP_C = (-40.0, 150.0)
VISCOSITY_MM2_PER_S = (0.4, 50.0)
LEAST_APART_K = 20.0
"""Two viscosities nearer in temperature say little of how the fuel thins."""


@dataclass(frozen=True, slots=True)
class TrendSettings:
    """One fleet's; the defaults are a middling road diesel's (``fluid.REFERENCE_DIESEL``).

    Raises
    ------
    InvalidInputError
        A figure is out of bounds, the temperatures are too near, or warm fuel is the thicker.
    """

    horizon_days: float = 60.0
    """How far ahead ``probability_below_limit`` looks. [d]"""
    fuel_cold_c: float = 40.0
    fuel_cold_mm2_per_s: float = 2.8
    fuel_hot_c: float = 100.0
    fuel_hot_mm2_per_s: float = 1.15
    """Kinematic viscosities of the fleet's fuel at two temperatures."""

    def __post_init__(self) -> None:
        problems = [
            Problem(f"/{name}", f"{getattr(self, name):g} is not between {low:g} and {high:g}")
            for name, (low, high) in {
                "horizon_days": HORIZON_DAYS,
                "fuel_cold_c": TEMP_C,
                "fuel_hot_c": TEMP_C,
                "fuel_cold_mm2_per_s": VISCOSITY_MM2_PER_S,
                "fuel_hot_mm2_per_s": VISCOSITY_MM2_PER_S,
            }.items()
            if not low <= getattr(self, name) <= high
        ]
        if self.fuel_hot_c - self.fuel_cold_c < LEAST_APART_K:
            problems.append(
                Problem(
                    "/fuel_hot_c",
                    f"{self.fuel_hot_c:g} °C is not {LEAST_APART_K:g} K or more above "
                    f"{self.fuel_cold_c:g} °C",
                )
            )
        if self.fuel_hot_mm2_per_s >= self.fuel_cold_mm2_per_s:
            problems.append(
                Problem("/fuel_hot_mm2_per_s", "fuel is thinner when warm: were the two exchanged?")
            )
        if problems:
            raise InvalidInputError(problems)

    @property
    def fluid(self) -> WaltherFluid:
        """The fuel whose viscosity goes through the two."""
        return WaltherFluid.through(
            self.fuel_cold_c, self.fuel_cold_mm2_per_s, self.fuel_hot_c, self.fuel_hot_mm2_per_s
        )
