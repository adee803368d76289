"""Test records of pumps that behave as the trend believes, with known reserves and kits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fleetdb.fluid import REFERENCE_DIESEL
from fleetdb.trend.constants import FamilyConstants
from tests.fleetdb.trend.pump_readings import (
    CONSTANTS,
    FROM_SHARE,
    TO_SHARE,
    build_of,
    ratio_of,
)
from tests.fleetdb.trend.small_tables import Row, day, record, vehicle

Law = Callable[[int, float], float]


@dataclass(frozen=True)
class Simulated:
    """Vehicles V00, V01, ... tested every ``every_days``.

    Laws take the number of the vehicle (or kit) and the day.
    """

    vehicles: int = 24
    tests: int = 12
    every_days: float = 45.0
    seed: int = 1
    sd_ratio: float = 0.02
    sd_build: float = 0.05
    ln_reserve: Law = lambda v, day: math.log(1.6)
    constants: FamilyConstants = CONSTANTS
    mean_temp_c: float = 32.0
    winter_fuel: float = 0.0
    stiffness_power: float = 0.0
    kits: int = 0
    kit_of: Callable[[int, int], int] = lambda v, t: v + t
    ln_kit: Law = lambda k, day: 0.0

    def rows(self) -> dict[str, list[Row]]:
        """Return the tables' rows."""
        rng = np.random.default_rng(self.seed)
        records = [self._test(v, t, rng) for v in range(self.vehicles) for t in range(self.tests)]
        names = [f"V{v:02}" for v in range(self.vehicles)]
        return {
            "vehicles": [vehicle(n, in_service_on=day(-30).date()) for n in names],
            "test_records": records,
        }

    def _test(self, v: int, t: int, rng: np.random.Generator) -> Row:
        at = t * self.every_days + (7.0 * v) % self.every_days
        temp_c = self.mean_temp_c - 12 * math.cos(2 * math.pi * at / 365.25) + 6 * rng.normal()
        ln_speed = -0.03 + 0.04 * rng.normal()
        x = self.ln_reserve(v, at)
        kit = self.kit_of(v, t) % self.kits if self.kits else None
        bias = self.ln_kit(kit, at) if kit is not None else 0.0
        ln_viscosity = float(REFERENCE_DIESEL.ln_viscosity_ratio(temp_c, 40.0))
        # The first day is the coldest.
        reach = x + ln_speed + ln_viscosity - self.winter_fuel * math.cos(2 * math.pi * at / 365.25)
        y = float(ratio_of(reach, self.constants)) + bias + self.sd_ratio * rng.normal()
        timed = max(reach, math.log(1.04 * TO_SHARE))
        b = float(build_of(timed, self.constants)) + ln_speed + bias
        # The swept flow that is lost with reserve is the pump's, not the fuel's.
        b += self.constants.volumetric_share * (x - timed) + self.stiffness_power * ln_viscosity
        return record(
            f"V{v:02}",
            at,
            math.exp(y),
            fuel_temp_c=temp_c,
            crank_rpm=200 * math.exp(ln_speed),
            rate_bar_per_s=math.exp(b + self.sd_build * rng.normal()),
            from_bar=700 * FROM_SHARE,
            to_bar=700 * TO_SHARE,
            kit=None if kit is None else f"K{kit}",
        )
