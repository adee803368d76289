"""What a pump family's figures allow at most: how fast pressure builds, how much can leak back.

By the rail balance, pressure rises at most at (K / V) * Vd * n: every drop the pump sweeps
(Vd per engine revolution, n revolutions a second) stays in the rail (V) and squeezes the
fuel (bulk modulus K). Real pumps stay below: they lose some of it, and lines and gallery
add to V. Nor can more leak back than the pump delivers. A reading above such a ceiling is
odd, since the figures of a family are rounded and gauges err; above ``MARGIN`` times the
ceiling it is impossible.
"""

from __future__ import annotations

from dataclasses import dataclass

from fleetdb.records.documents import PumpFamily
from fleetdb.units import SECONDS_PER_MINUTE

MARGIN = 1.5
# n-Dodecane has 2.10 GPa at 20 degC and 700 bar (isentropic; Lemmon & Huber 2004, Energy
# Fuels 18:960) and less when warmer or below that pressure; diesel is somewhat stiffer.
STIFFEST_FUEL_BAR = 25_000.0
# Where no crank speed was noted, or a leak is collected with the engine running.
FASTEST_CRANKING = 2.0
FASTEST_RUNNING_RPM = 2_000.0
# Pumps of road vehicles sweep less: common practice, no source.
LARGEST_DISPLACEMENT_ML_PER_ENGINE_REV = 5.0


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The most that is possible, and ``because``: the figures it follows from."""

    value: float
    because: str

    def is_passed_by(self, reading: float) -> bool:
        """Tell whether a reading is above the ceiling: odd."""
        return reading > self.value

    def excludes(self, reading: float) -> bool:
        """Tell whether no error of gauge, clock or family figures explains a reading."""
        return reading > MARGIN * self.value


def fastest_build_bar_per_s(family: PumpFamily, crank_rpm: float | None) -> Ceiling:
    """Return how fast pressure can rise while cranking at ``crank_rpm``. [bar/s]

    Without the rail's volume and the pump's displacement: the rail filled from empty to
    its limit within one engine revolution, which no regulator could hold (common
    practice, no source). Without the speed: at twice the family's reference speed.
    """
    rpm = FASTEST_CRANKING * family.reference_crank_rpm if crank_rpm is None else crank_rpm
    volume_ml, swept_ml = family.rail_volume_ml, family.displacement_ml_per_engine_rev
    if volume_ml is None or swept_ml is None:
        per_rev_bar = family.rail_max_bar
        because = f"{family.rail_max_bar:g} bar, the rail's limit, in one turn at {rpm:g} 1/min"
    else:
        per_rev_bar = STIFFEST_FUEL_BAR / volume_ml * swept_ml
        because = f"{swept_ml:g} ml a turn into a rail of {volume_ml:g} ml at {rpm:g} 1/min"
    return Ceiling(per_rev_bar * rpm / SECONDS_PER_MINUTE, because)


def most_leak_ml_per_min(family: PumpFamily) -> Ceiling:
    """Return the most that can leak back from all injectors: all the pump sweeps. [ml/min]

    Leaks may be collected with the engine running, so the speed is the fastest at
    which that is done (common practice, no source), not the crank speed.
    """
    swept_ml = family.displacement_ml_per_engine_rev
    if swept_ml is None:
        swept_ml = LARGEST_DISPLACEMENT_ML_PER_ENGINE_REV
    because = f"{swept_ml:g} ml a turn at {FASTEST_RUNNING_RPM:g} 1/min"
    return Ceiling(swept_ml * FASTEST_RUNNING_RPM, because)
