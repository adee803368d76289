"""What each pumping element delivers, from the waves its strokes leave in the pressure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Waves = NDArray[np.complex128]

# What is tried: how much of its stroke an element delivers over, how fast rail and regulator
# let a pulse die away against the time of a stroke, and where in its stroke the pulse is.
_WIDTHS = np.array([0.3, 0.45, 0.6, 0.8, 1.0])
_DECAYS = np.geomspace(0.03, 10.0, 14)
_N_PHASES = 48
_REFINEMENTS = 5
# What the pulses leave unexplained, of the waves' power, before they are not believed.
_UNEXPLAINED = 0.15


@dataclass(frozen=True)
class Deliveries:
    """Deliveries of the elements, in the order they deliver in.

    ``shares`` is each over the mean, ``sd`` their uncertainty, ``first_turn`` when the first is
    centred [pump turns].
    """

    shares: Floats
    sd: Floats
    first_turn: float


def deliveries(waves: Waves, elements: int, sd_bar: float) -> Deliveries | None:
    """Return what each element delivers, None where no pulses explain the waves.

    Parameters
    ----------
    waves : shape (n_orders,)
        Complex amplitude a of each order k of the pump, 1 to n: the pressure is the sum of
        Re(a exp(2 pi i k turns)). At least twice as many orders as elements.
    elements
        Two or more.
    sd_bar
        Uncertainty of real and imaginary parts.

    Notes
    -----
    Every element delivers the same half sine over part of its stroke, times its own share, and
    rail and regulator answer as a first-order lag: a leaking or regulated rail forgets a pulse
    fast, a tight one adds it up. For given width, lag and place the shares are a linear
    least-squares fit of the waves; those three are searched on a grid that is then refined.
    """
    orders = np.arange(1, len(waves) + 1)
    spans = [0.1, np.log(_DECAYS[1] / _DECAYS[0]) / 2.0, 0.5 / _N_PHASES / elements]
    best = _best(waves, _coarse_grid(len(waves), elements))
    for _ in range(_REFINEMENTS):
        steps = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
        finer = _grid(
            orders,
            elements,
            np.clip(best[0] + spans[0] * steps, 0.2, 1.0),
            best[1] * np.exp(spans[1] * steps),
            best[2] + spans[2] * steps,
        )
        best = _best(waves, finer)
        spans = [span / 2.0 for span in spans]
    design = _design(orders, elements, *(np.array([value]) for value in best))[0]
    flat = np.concatenate([design.real, design.imag])
    target = np.concatenate([waves.real, waves.imag])
    amounts = np.linalg.lstsq(flat, target, rcond=None)[0]
    residuals = target - flat @ amounts
    unexplained = float(np.sum(residuals**2) / np.sum(target**2))
    noise_share = float(len(target) * sd_bar**2 / np.sum(target**2))
    mean = float(amounts.mean())
    if mean <= 0 or unexplained > _UNEXPLAINED + 2.0 * noise_share:
        return None
    degrees = max(len(target) - elements - 3, 1)
    scale = max(sd_bar, float(np.sqrt(np.sum(residuals**2) / degrees)))
    covariance = np.linalg.pinv(flat.T @ flat) * scale**2
    shares: Floats = np.asarray(amounts / mean, dtype=np.float64)
    # Of a share: the amount's and the mean's own uncertainty.
    gradient = (np.eye(elements) - shares[:, None] / elements) / mean
    sd: Floats = np.sqrt(np.einsum("ij,jk,ik->i", gradient, covariance, gradient))
    # The first delivery centred within a stroke of the beginning is number one.
    first_turn = best[2] % (1.0 / elements)
    shift = round((first_turn - best[2]) * elements)
    return Deliveries(np.roll(shares, -shift), np.roll(sd, -shift), float(first_turn))


@dataclass(frozen=True)
class _Grid:
    """Every combination of width, decay and place, with its design and normal matrix."""

    values: Floats
    """Shape (n_grid, 3)."""
    flat: Floats
    """Real parts above imaginary ones: shape (n_grid, 2 n_orders, elements)."""
    normal: Floats


def _grid(orders: NDArray[np.int64], elements: int, *axes: Floats) -> _Grid:
    width, decay, place = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    design = _design(orders, elements, width, decay, place)
    flat = np.concatenate([design.real, design.imag], axis=1)
    normal = np.einsum("gki,gkj->gij", flat, flat)
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(elements)
    return _Grid(np.column_stack([width, decay, place]), flat, normal)


@lru_cache(maxsize=8)
def _coarse_grid(n_orders: int, elements: int) -> _Grid:
    """Return the first grid, the same for every trace of such a pump."""
    places = (np.arange(_N_PHASES) / _N_PHASES - 0.5) / elements
    return _grid(np.arange(1, n_orders + 1), elements, _WIDTHS, _DECAYS, places)


def _best(waves: Waves, grid: _Grid) -> tuple[float, float, float]:
    """Return the width, decay and place whose shares fit best."""
    target = np.concatenate([waves.real, waves.imag])
    right = np.einsum("gki,k->gi", grid.flat, target)
    amounts = np.linalg.solve(grid.normal, right[..., None])[..., 0]
    fitted = np.einsum("gki,gi->gk", grid.flat, amounts)
    left = np.sum((target - fitted) ** 2, axis=1)
    # Elements draw nothing out of the rail: what fits only so is no pump.
    drawn = np.minimum(amounts, 0.0) ** 2 * np.einsum("gii->gi", grid.normal)
    at = int(np.argmin(left + np.sum(drawn, axis=1)))
    width, decay, place = grid.values[at]
    return float(width), float(decay), float(place)


def _design(
    orders: NDArray[np.int64], elements: int, width: Floats, decay: Floats, place: Floats
) -> Waves:
    """Return the waves of each element's unit delivery, shape (n_grid, n_orders, elements).

    ``width`` is in strokes, ``decay`` in strokes too, ``place`` in pump turns.
    """
    k = orders[None, :]
    # Fourier coefficient of a half sine of unit area over ``width`` strokes, centred.
    x = k * width[:, None] / elements
    off = 1.0 - (2.0 * x) ** 2
    near = np.abs(off) < 1e-6
    # At x = 1/2 numerator and denominator both vanish; their limit is pi / 4.
    pulse = np.where(near, np.pi / 4.0, np.cos(np.pi * x) / np.where(near, 1.0, off))
    lag = 1.0 / (2j * np.pi * k / elements + 1.0 / decay[:, None])
    at = place[:, None, None] + np.arange(elements)[None, None, :] / elements
    turned = np.exp(-2j * np.pi * k[:, :, None] * at)
    return np.asarray((pulse * lag)[:, :, None] * turned, dtype=np.complex128)
