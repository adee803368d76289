"""The rail's flow balance: what pressure a pump can reach, and how fast it builds.

While cranking, the pump sweeps a flow into the rail and clearances leak it away in
proportion to pressure over viscosity, so

    dp/dt = (K / V) * (eta * Vd * n - c * p / mu)

and p climbs exponentially towards the *reachable* pressure eta*Vd*n*mu/c. Dividing
pressures by the proof target makes everything below dimensionless.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def reachable_pressure_bar(
    swept_flow_ml_per_s: ArrayLike, leak_ml_per_s_per_bar: ArrayLike
) -> NDArray[np.float64]:
    """Return the pressure at which leakage eats the whole swept flow. [bar]

    ``leak_ml_per_s_per_bar`` is the sum of all leak paths (pump, injectors, regulator)
    at the viscosity of the moment.
    """
    return np.asarray(swept_flow_ml_per_s, dtype=float) / np.asarray(
        leak_ml_per_s_per_bar, dtype=float
    )


def mean_build_share(
    reserve: ArrayLike, from_share: ArrayLike, to_share: ArrayLike
) -> NDArray[np.float64]:
    """Return the mean build rate over a window as a share of the rate at zero pressure.

    Parameters
    ----------
    reserve
        Reachable pressure over the target, at the test's conditions. [-]
    from_share, to_share
        The window's ends over the target. [-]

    Returns
    -------
    array
        (to - from) / (reserve * ln((reserve - from) / (reserve - to))): the exact mean of
        the exponential climb. 0 where the pump cannot reach ``to_share``.
    """
    r, low, high = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (reserve, from_share, to_share))
    )
    share = np.zeros(r.shape)
    reaches = r > high
    r, low, high = r[reaches], low[reaches], high[reaches]
    share[reaches] = (high - low) / (r * np.log((r - low) / (r - high)))
    return share


def annular_leak_ml_per_s(
    diameter_mm: float,
    clearance_um: float,
    length_mm: float,
    pressure_drop_bar: float,
    dynamic_viscosity_mpa_s: float,
) -> float:
    """Return the laminar leak through a concentric annular clearance. [mL/s]

    Q = pi D c^3 dp / (12 mu L). Doubling the clearance leaks eight times as much, which is
    why wear that was slow for years shows within months. Fully eccentric, the same
    clearance leaks 2.5 times as much.

    References
    ----------
    M. G. Rabie, Fluid Power Engineering, McGraw-Hill 2009, eq. 2.19.
    """
    flow_m3_per_s = (
        np.pi
        * (diameter_mm * 1e-3)
        * (clearance_um * 1e-6) ** 3
        * (pressure_drop_bar * 1e5)
        / (12.0 * dynamic_viscosity_mpa_s * 1e-3 * length_mm * 1e-3)
    )
    return float(flow_m3_per_s * 1e6)
