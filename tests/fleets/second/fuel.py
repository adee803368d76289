"""Fuel as it is sold through the year: Vogel's law of viscosity, thinner blends in winter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

_YEAR_DAYS = 365.25
_MIDWINTER_DAY = 20.0


@dataclass(frozen=True)
class VogelFuel:
    """Kinematic viscosity by ln v = a + b / (T + c), T in degC.

    ``steepness_c`` is b and ``shift_c`` is c. Those below pass through 5.8 mm2/s at 10 degC
    and 1.15 at 100 degC where the viscosity at 40 degC is 2.8 (a middling diesel: common
    practice, no source). ``winter_thinner`` is the share by which the midwinter blend is
    thinner than the midsummer one; a tank's own blend scatters by ``tank_spread``.
    """

    viscosity_40c_mm2_per_s: float = 2.8
    steepness_c: float = 587.0
    shift_c: float = 131.2
    winter_thinner: float = 0.16
    tank_spread: float = 0.03

    def kinematic_viscosity_mm2_per_s(self, temp_c: ArrayLike) -> NDArray[np.float64]:
        """Return the midsummer blend's viscosity at each temperature."""
        celsius = np.asarray(temp_c, dtype=np.float64)
        exponent = self.steepness_c * (1.0 / (celsius + self.shift_c) - 1.0 / (40.0 + self.shift_c))
        return self.viscosity_40c_mm2_per_s * np.exp(exponent)

    def winter_share(self, day_of_year: ArrayLike) -> NDArray[np.float64]:
        """Return how much of the winter's blend is in the pumps: 0 midsummer, 1 midwinter.

        Depots change over within some weeks, so the year is more a square than a sine.
        """
        angle = 2 * np.pi * (np.asarray(day_of_year, dtype=np.float64) - _MIDWINTER_DAY)
        return 0.5 * (1.0 + np.tanh(2.5 * np.cos(angle / _YEAR_DAYS)) / np.tanh(2.5))

    def viscosity_over_reference(
        self,
        temp_c: ArrayLike,
        day_of_year: ArrayLike,
        tank: ArrayLike,
        reference_temp_c: float,
    ) -> NDArray[np.float64]:
        """Return viscosity in a vehicle's tank over that at reference conditions. [-]

        ``tank`` is the tank's own departure in units of ``tank_spread``. The reference is
        the year's middle blend.
        """
        blend = 1.0 - self.winter_thinner * self.winter_share(day_of_year)
        reference = self.kinematic_viscosity_mm2_per_s(reference_temp_c) * (
            1.0 - 0.5 * self.winter_thinner
        )
        own = np.exp(self.tank_spread * np.asarray(tank, dtype=np.float64))
        return self.kinematic_viscosity_mm2_per_s(temp_c) * blend * own / reference
