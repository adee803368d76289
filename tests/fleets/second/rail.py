"""The rail while cranking: what the pump can reach, where the regulator holds it, how it climbs.

Pressures are over the family's proof target, flows over what a new pump delivers at the
reference crank speed. Leaks are a laminar part, as pressure over viscosity, and an orifice
part, as the root of pressure and careless of viscosity.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Gauss-Legendre points on the climb: its integrand is smooth below what can be reached.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
# Bulk modulus [bar]: at no pressure and 40 degC, per bar, per degC (common practice, no source).
_MODULUS_BAR = 14_500.0
_MODULUS_PER_BAR = 9.0
_MODULUS_PER_C = -55.0


class Knee(StrEnum):
    """How the regulator's hold sets in as the pump comes near it."""

    P_NORM = "p_norm"
    LOGISTIC = "logistic"


def reach(flow: ArrayLike, laminar: ArrayLike, orifice: ArrayLike, viscosity: ArrayLike) -> Floats:
    """Return the pressure at which leaks take all that is delivered. [over target]

    ``laminar`` and ``orifice`` are flows at the target pressure and reference viscosity;
    ``viscosity`` is over the reference. The balance laminar r / viscosity + orifice root(r)
    = flow is a quadratic in root(r).
    """
    flow, orifice = np.asarray(flow, dtype=np.float64), np.asarray(orifice, dtype=np.float64)
    thin = np.asarray(laminar, dtype=np.float64) / np.asarray(viscosity, dtype=np.float64)
    root = (np.sqrt(orifice**2 + 4.0 * thin * flow) - orifice) / (2.0 * thin)
    return root**2


def laminar_for(reserve: ArrayLike, flow: ArrayLike, orifice: ArrayLike) -> Floats:
    """Return the laminar leak with which ``flow`` reaches just ``reserve`` at reference."""
    reserve = np.asarray(reserve, dtype=np.float64)
    return (np.asarray(flow) - np.asarray(orifice) * np.sqrt(reserve)) / reserve


def held(reached: ArrayLike, cap: ArrayLike, knee: Knee, sharpness: float) -> Floats:
    """Return the pressure read: a soft minimum of what can be reached and the regulator's cap.

    Never above either of them. ``sharpness`` is the norm's order, or the logistic's scale
    in 1 over target.
    """
    reached, cap = np.asarray(reached, dtype=np.float64), np.asarray(cap, dtype=np.float64)
    if knee is Knee.P_NORM:
        low, high = np.minimum(reached, cap), np.maximum(reached, cap)
        return low * (1.0 + (low / high) ** sharpness) ** (-1.0 / sharpness)
    return -np.logaddexp(-sharpness * reached, -sharpness * cap) / sharpness


def build_rate_bar_per_s(
    from_bar: ArrayLike,
    to_bar: ArrayLike,
    *,
    target_bar: float,
    swept_ml_per_s: ArrayLike,
    volume_ml: ArrayLike,
    flow: ArrayLike,
    laminar: ArrayLike,
    orifice: ArrayLike,
    viscosity: ArrayLike,
    temp_c: ArrayLike,
) -> Floats:
    """Return the mean climb between two true pressures; NaN where the upper is not reached.

    ``swept_ml_per_s`` is what a flow of 1 is in this rail of ``volume_ml``, lines included.
    """
    columns = [
        np.asarray(value, dtype=np.float64)[..., None]
        for value in (
            from_bar, to_bar, swept_ml_per_s, volume_ml, flow, laminar, orifice, viscosity, temp_c,
        )
    ]  # fmt: skip
    low, high, swept, volume, delivered, thin, hole, stiff, celsius = columns
    pressure_bar = low + 0.5 * (high - low) * (_NODES + 1.0)
    share = pressure_bar / target_bar
    net = delivered - thin * share / stiff - hole * np.sqrt(share)
    modulus_bar = _MODULUS_BAR + _MODULUS_PER_BAR * pressure_bar + _MODULUS_PER_C * (celsius - 40.0)
    rate = modulus_bar / volume * swept * net
    climbs = (net > 0.02).all(axis=-1)
    seconds_per_bar = np.divide(1.0, rate, out=np.zeros_like(rate), where=net > 0.02)
    mean_s_per_bar = 0.5 * (seconds_per_bar * _WEIGHTS).sum(axis=-1)
    return np.divide(1.0, mean_s_per_bar, out=np.full(mean_s_per_bar.shape, np.nan), where=climbs)
