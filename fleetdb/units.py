"""Unit constants and conversions. Inside, pressures are in bar, volumes in ml, distances in km.

What a person types or a spreadsheet holds may be in another unit: ``UNITS`` has those that are
read, and the conversion is exact (fractions) up to the one rounding to a float at its end.

References
----------
NIST Special Publication 811 (2008), Appendix B: factors for converting to SI units.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

PA_PER_BAR = 1.0e5
PA_PER_PSI = 6.894757e3
SECONDS_PER_MINUTE = 60.0

BAR_PER_PSI = PA_PER_PSI / PA_PER_BAR
BAR_PER_MPA = 1e6 / PA_PER_BAR


class Quantity(StrEnum):
    """What may come in a unit of the sender's choice."""

    PRESSURE = "pressure"
    VOLUME = "volume"
    DISTANCE = "distance"
    TEMPERATURE = "temperature"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as people write it: ``zero`` is where it stands at the inside unit's zero,
    ``size`` how many of the inside unit one of it is.
    """

    name: str
    size: Fraction
    zero: Fraction = Fraction(0)

    def inside(self, value: Fraction) -> float:
        """Return a value in this unit in the inside one, rounded once."""
        return float((value - self.zero) * self.size)

    def outside(self, value: float) -> float:
        """Return a value in the inside unit in this one, rounded once."""
        return float(Fraction(value) / self.size + self.zero)


# The first of each quantity is the inside one.
UNITS: dict[Quantity, dict[str, Unit]] = {
    quantity: {unit.name: unit for unit in units}
    for quantity, units in {
        Quantity.PRESSURE: (
            Unit("bar", Fraction(1)),
            Unit("MPa", Fraction(10)),
            Unit("psi", Fraction("0.06894757")),
        ),
        Quantity.VOLUME: (Unit("mL", Fraction(1)), Unit("US fl oz", Fraction("29.57353"))),
        Quantity.DISTANCE: (Unit("km", Fraction(1)), Unit("miles", Fraction("1.609344"))),
        Quantity.TEMPERATURE: (
            Unit("°C", Fraction(1)),
            Unit("°F", Fraction(5, 9), Fraction(32)),
        ),
    }.items()
}
INSIDE: dict[Quantity, Unit] = {
    quantity: next(iter(units.values())) for quantity, units in UNITS.items()
}


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
