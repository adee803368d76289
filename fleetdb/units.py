"""Unit constants and conversions. Inside, pressures are in bar, volumes in ml, distances in km.

References
----------
NIST Special Publication 811 (2008), Appendix B: factors for converting to SI units.
"""

from __future__ import annotations

PA_PER_BAR = 1.0e5
PA_PER_PSI = 6.894757e3
PA_PER_ATM = 1.01325e5
ML_PER_US_FL_OZ = 29.57353
ML_PER_UK_FL_OZ = 28.41306
ML_PER_US_GAL = 3785.412
KM_PER_MILE = 1.609344
MM2_PER_S_PER_STOKES = 100.0
SECONDS_PER_MINUTE = 60.0

BAR_PER_PSI = PA_PER_PSI / PA_PER_BAR


def bar_from_psi(pressure_psi: float) -> float:
    """Return a pressure in bar.

    Examples
    --------
    >>> round(bar_from_psi(23206.038), 3)
    1600.0
    """
    return pressure_psi * BAR_PER_PSI


def psi_from_bar(pressure_bar: float) -> float:
    """Return a pressure in pounds-force per square inch."""
    return pressure_bar / BAR_PER_PSI


def celsius_from_fahrenheit(temperature_f: float) -> float:
    """Return a temperature in degrees Celsius."""
    return (temperature_f - 32.0) / 1.8


def km_from_miles(distance_mi: float) -> float:
    """Return a distance in km from international miles."""
    return distance_mi * KM_PER_MILE


def ml_from_us_fl_oz(volume_fl_oz: float) -> float:
    """Return a volume in ml from US fluid ounces."""
    return volume_fl_oz * ML_PER_US_FL_OZ
