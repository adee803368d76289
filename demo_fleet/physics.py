"""Rail and fluid physics of the invented vehicles.

Kept apart from fleetdb's own physics on purpose: a generator that shared code with
the engine it is meant to test would share its mistakes too.

The rail balance, with K the fuel's bulk modulus [bar], V the trapped volume [ml],
flows in ml/s and leaks through clearances going as pressure over viscosity:

    dp/dt = (K / V) * (efficiency * displacement * speed - conductance * p / viscosity)

A conductance is in ml/s * mPa s / bar. Viscosity is taken at the fuel's temperature
and not at its pressure, as in the balance above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
ZERO_C_K = 273.15
SECONDS_PER_MINUTE = 60.0
# Linear fall of a diesel fuel's density with temperature [kg/m3/K]: common practice, no source.
DENSITY_SLOPE_KG_PER_M3_K = 0.68


@dataclass(frozen=True)
class Fuel:
    """A fuel by its viscosity at two temperatures, its density and its bulk modulus.

    The default is invented, within EN 590's limits (2.00 to 4.50 mm2/s at 40 C,
    820 to 845 kg/m3 at 15 C).
    """

    viscosity_40c_mm2_per_s: float = 2.8
    viscosity_100c_mm2_per_s: float = 1.2
    density_15c_kg_per_m3: float = 834.0
    bulk_modulus_bar: float = 16_000.0


def kinematic_viscosity_mm2_per_s(fuel: Fuel, temp_c: ArrayLike) -> Array:
    """Return the viscosity by Walther's law through the fuel's two points.

    log10 log10 Z = A - B log10 T, with ASTM D341's Z, which below 2 mm2/s is not
    simply v + 0.7. Meant for -20 to 120 C; nothing is said of wax below that.
    """
    low, high = (
        np.log10(np.log10(_z_of(v)))
        for v in (fuel.viscosity_40c_mm2_per_s, fuel.viscosity_100c_mm2_per_s)
    )
    log_low, log_high = np.log10(40 + ZERO_C_K), np.log10(100 + ZERO_C_K)
    slope = (low - high) / (log_high - log_low)
    log_t = np.log10(np.asarray(temp_c, dtype=np.float64) + ZERO_C_K)
    return _v_of(10 ** (10 ** (low - slope * (log_t - log_low))))


def _z_of(v: float) -> float:
    return v + 0.7 + float(np.exp(-1.47 - 1.84 * v - 0.51 * v**2))


def _v_of(z: Array) -> Array:
    """Invert ``_z_of``: Newton's method, whose map is smooth and increasing."""
    v = z - 0.7
    for _ in range(6):
        bend = np.exp(-1.47 - 1.84 * v - 0.51 * v**2)
        v = v - (v + 0.7 + bend - z) / (1 - (1.84 + 1.02 * v) * bend)
    return v


def dynamic_viscosity_mpa_s(fuel: Fuel, temp_c: ArrayLike) -> Array:
    """Return kinematic viscosity times density [mPa s]."""
    density = fuel.density_15c_kg_per_m3 - DENSITY_SLOPE_KG_PER_M3_K * (
        np.asarray(temp_c, dtype=np.float64) - 15
    )
    return kinematic_viscosity_mm2_per_s(fuel, temp_c) * density / 1000


def pump_flow_ml_per_s(
    efficiency: ArrayLike, displacement_ml: float, crank_rpm: ArrayLike
) -> Array:
    """Return what the pump moves before any leak [ml/s]; displacement is per engine revolution."""
    return np.asarray(efficiency) * displacement_ml * np.asarray(crank_rpm) / SECONDS_PER_MINUTE


def steady_pressure_bar(flow_ml_per_s: Array, conductance: Array, viscosity_mpa_s: Array) -> Array:
    """Return the pressure at which leaks take all the pump moves: dp/dt = 0 [bar]."""
    return flow_ml_per_s * viscosity_mpa_s / conductance


def regulated_pressure_bar(reach_bar: Array, cap_bar: Array, sharpness: float) -> Array:
    """Return the soft minimum of what the pump reaches and what the regulator lets stand.

    ``(reach^-k + cap^-k)^(-1/k)``: a small ``sharpness`` k is a regulator that starts
    to pass fuel early.
    """
    lower = np.minimum(reach_bar, cap_bar)
    ratio = lower / np.maximum(reach_bar, cap_bar)
    return lower * (1 + ratio**sharpness) ** (-1 / sharpness)


def build_rate_bar_per_s(
    flow_ml_per_s: Array,
    conductance: Array,
    viscosity_mpa_s: Array,
    stiffness_bar_per_ml: Array,
    from_bar: Array,
    to_bar: Array,
) -> Array:
    """Return the mean rate from ``from_bar`` to ``to_bar``, NaN where ``to_bar`` is not reached.

    The balance is linear in p, so the time is that of a first-order approach to the
    steady pressure; ``stiffness_bar_per_ml`` is K / V.
    """
    reach_bar = steady_pressure_bar(flow_ml_per_s, conductance, viscosity_mpa_s)
    time_constant_s = viscosity_mpa_s / (conductance * stiffness_bar_per_ml)
    reached = to_bar < reach_bar
    gap = np.where(reached, (reach_bar - from_bar) / np.where(reached, reach_bar - to_bar, 1), 2)
    return np.where(reached, (to_bar - from_bar) / (time_constant_s * np.log(gap)), np.nan)


def back_leak_ml_per_min(conductance: Array, rail_bar: Array, viscosity_mpa_s: Array) -> Array:
    """Return what leaks through ``conductance`` at a steady rail pressure [ml/min]."""
    return conductance * rail_bar / viscosity_mpa_s * SECONDS_PER_MINUTE
