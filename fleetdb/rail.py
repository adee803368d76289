"""The rail's flow balance: how fast a pump builds pressure towards what it can reach.

While cranking, the pump sweeps a flow into the rail and clearances leak it away in
proportion to pressure over viscosity, so

    dp/dt = (K / V) * (eta * Vd * n - c * p / mu)

and p climbs exponentially towards the *reachable* pressure eta*Vd*n*mu/c. Dividing
pressures by the proof target makes everything below dimensionless.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


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
