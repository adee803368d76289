"""Fuel viscosity against temperature: the Walther law of ASTM D341."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True)
class WaltherFluid:
    """A liquid whose kinematic viscosity follows ``log10 log10 Z = a - b log10 T``.

    T is the absolute temperature [K] and Z is the viscosity [mm2/s] plus 0.7 plus, below
    about 2 mm2/s, a small term that straightens the line (``_z_of_viscosity``).

    The law was fitted to mineral oils and fuels between their cloud point and about
    150 degC; outside that, and above a few hundred bar, it is an extrapolation.

    References
    ----------
    ASTM D341; the correction terms below 2 mm2/s are from memory and are held to
    published n-dodecane values in the tests.
    """

    a: float
    b: float

    @classmethod
    def through(
        cls, cold_c: float, cold_mm2_per_s: float, hot_c: float, hot_mm2_per_s: float
    ) -> WaltherFluid:
        """Return the fluid whose line passes through two measured viscosities.

        Raises
        ------
        ValueError
            The temperatures are equal, or a viscosity is not above zero.
        """
        if cold_c == hot_c or min(cold_mm2_per_s, hot_mm2_per_s) <= 0:
            raise ValueError("two different temperatures and viscosities above zero are needed")
        y_cold, y_hot = (
            float(np.log10(np.log10(_z_of_viscosity(v)))) for v in (cold_mm2_per_s, hot_mm2_per_s)
        )
        x_cold, x_hot = (float(np.log10(t - ABSOLUTE_ZERO_C)) for t in (cold_c, hot_c))
        b = (y_cold - y_hot) / (x_hot - x_cold)
        return cls(a=y_cold + b * x_cold, b=b)

    def kinematic_viscosity_mm2_per_s(self, temp_c: ArrayLike) -> NDArray[np.float64]:
        """Return the viscosity at each temperature [degC]; NaN stays NaN."""
        kelvin = np.asarray(temp_c, dtype=float) - ABSOLUTE_ZERO_C
        z = 10.0 ** (10.0 ** (self.a - self.b * np.log10(kelvin)))
        return _viscosity_of_z(z)

    def ln_viscosity_ratio(self, temp_c: ArrayLike, reference_c: ArrayLike) -> NDArray[np.float64]:
        """Return ln(viscosity at ``temp_c`` / viscosity at ``reference_c``). [-]"""
        return np.log(
            self.kinematic_viscosity_mm2_per_s(temp_c)
            / self.kinematic_viscosity_mm2_per_s(reference_c)
        )


def _z_of_viscosity(v: ArrayLike) -> NDArray[np.float64]:
    v = np.asarray(v, dtype=float)
    return v + 0.7 + np.exp(-1.47 - 1.84 * v - 0.51 * v * v)


def _viscosity_of_z(z: ArrayLike) -> NDArray[np.float64]:
    w = np.asarray(z, dtype=float) - 0.7
    return w - np.exp(-0.7487 - 3.295 * w + 0.6119 * w * w - 0.3193 * w * w * w)


# A middling road diesel, inside EN 590's 2.00-4.50 mm2/s at 40 degC; the 100 degC value is
# common practice, no source. A fleet's own fuel differs: the trend engine learns how
# strongly its pumps answer to viscosity, so only the shape of this curve matters there.
REFERENCE_DIESEL = WaltherFluid.through(40.0, 2.8, 100.0, 1.15)
