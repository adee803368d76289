"""What a test would have read at reference conditions, and how much each condition made.

The filter never forms such a figure: it asks of each reserve what the test should have read as
it was made. People want the reading brought to one footing, so this takes out what the same
model says that kit, fuel temperature and crank speed added, for a pump of the reserve believed
after the test. A pump held at its cap by the regulator reads the same warm or cold: there the
conditions add next to nothing, and nothing is taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from fleetdb.trend.beliefs import Floats, Readings
from fleetdb.trend.build_windows import Windows, ln_share_at
from fleetdb.trend.constants import FamilyConstants


class AtReference(NamedTuple):
    """A reading as made and at reference conditions; shape (n_records,), NaN where none was.

    ``raw`` = ``corrected`` times the three shares.
    """

    raw: Floats
    kit: Floats
    """What the kit made of it, 1 for nothing. [-]"""
    temperature: Floats
    """What the fuel's temperature made of it, likewise. [-]"""
    speed: Floats
    """What the crank speed made of it, likewise. [-]"""
    corrected: Floats


def proof_ratio_at_reference(
    readings: Readings, ln_reserve: Floats, constants: FamilyConstants
) -> AtReference:
    """Return proof ratios at reference conditions; ``ln_reserve`` is that after each test."""

    def reached(shift: Floats) -> Floats:
        # The soft minimum of cap and reach, as in the filter.
        over = constants.cap_sharpness * (constants.ln_cap - ln_reserve - shift)
        return constants.ln_cap - np.logaddexp(0.0, over) / constants.cap_sharpness

    return _taken_apart(readings.ln_ratio, readings, reached, readings.ln_kit, 0.0, 0.0, constants)


def build_rate_at_reference(
    readings: Readings, windows: Windows, ln_reserve: Floats, constants: FamilyConstants
) -> AtReference:
    """Return build rates [bar/s] at reference conditions, as each workshop times.

    Its window and its habit (``timing_habits``) stay in the figure, so that it is near what was
    written down; only rates of one workshop are to be compared. Reach changes how much of the
    climb is held back by leakage; the swept flow goes as speed, and cold fuel is stiffer.
    """

    def held_back(shift: Floats) -> Floats:
        return ln_share_at(windows, readings.window, ln_reserve + shift)

    stiffer = constants.stiffness_power * readings.ln_viscosity
    # The watch starts and stops at what the kit shows: the whole window is off with it.
    of_the_day = readings.ln_speed + _warmth(readings, constants)
    pressed = constants.stiffening * windows.middle[readings.window]
    by_window = (
        held_back(of_the_day + readings.ln_kit)
        - held_back(of_the_day)
        + np.log1p(pressed * np.exp(-readings.ln_kit))
        - np.log1p(pressed)
    )
    return _taken_apart(
        readings.ln_build,
        readings,
        held_back,
        readings.ln_kit + by_window,
        stiffer,
        readings.ln_speed,
        constants,
    )


def _taken_apart(
    ln_raw: Floats,
    readings: Readings,
    expected: Callable[[Floats], Floats],
    kit: Floats,
    by_temperature_alone: Floats | float,
    by_speed_alone: Floats | float,
    constants: FamilyConstants,
) -> AtReference:
    """Take temperature out first, then speed; each at the other's value of its day or reference."""
    at_reference = expected(np.zeros(len(ln_raw)))
    fast = expected(readings.ln_speed)
    warm = expected(readings.ln_speed + _warmth(readings, constants))
    temperature = warm - fast + by_temperature_alone
    speed = fast - at_reference + by_speed_alone
    corrected = ln_raw - kit - temperature - speed
    return AtReference(*(np.exp(value) for value in (ln_raw, kit, temperature, speed, corrected)))


def _warmth(readings: Readings, constants: FamilyConstants) -> Floats:
    """Return what the fuel's temperature and grade add to ln reach."""
    grade = constants.winter_fuel * readings.season
    return constants.viscosity_power * (readings.ln_viscosity + grade)
