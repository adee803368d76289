"""Unit constants and conversions. Inside, pressures are in bar, volumes in ml, distances in km.

References
----------
NIST Special Publication 811 (2008), Appendix B: factors for converting to SI units.
"""

from __future__ import annotations

PA_PER_BAR = 1.0e5
PA_PER_PSI = 6.894757e3
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


def celsius_from_fahrenheit(temperature_f: float) -> float:
    """Return a temperature in degrees Celsius."""
    return (temperature_f - 32.0) / 1.8
