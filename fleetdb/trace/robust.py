"""Estimators that a few odd samples move little, with honest uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Huber's tuning constant: 95 % efficient for normal noise (Huber 1964, Ann. Math. Stat. 35:73).
HUBER_K = 1.345
# Normal standard deviations in a median absolute deviation.
_SD_PER_MAD = 1.482602218505602
_ROUNDS = 30
# Correlation from sample to sample is measured over so many lags; beyond, it is noise itself.
_MOST_INFLATION = 100.0


def mad_sd(values: Floats) -> float:
    """Return the standard deviation by the median absolute deviation (normal noise)."""
    return _SD_PER_MAD * float(np.median(np.abs(values - np.median(values))))


def noise_sd(values: Floats) -> float:
    """Return the standard deviation of the noise from sample to sample.

    By second differences, so that a slope does not count; robustly. 0 below 4 samples.
    """
    if len(values) < 4:
        return 0.0
    return mad_sd(np.diff(values, n=2)) / float(np.sqrt(6.0))


@dataclass(frozen=True)
class Location:
    """Centre of a sample, its standard uncertainty, and the scatter about it."""

    centre: float
    sd: float
    scatter: float


def huber_location(values: Floats) -> Location:
    """Return Huber's M-estimate of the centre, the scale fixed at the MAD.

    The uncertainty allows for correlation from sample to sample (``inflation``).

    References
    ----------
    P. J. Huber, Ann. Math. Stat. 35, 73-101, 1964.
    """
    centre = float(np.median(values))
    scale = mad_sd(values)
    if scale == 0.0:
        # More than half of the samples agree exactly (a coarse sensor): the mean resolves
        # more finely than any of its steps.
        centre, scale = float(np.mean(values)), float(np.std(values))
        return Location(centre, scale / float(np.sqrt(len(values))), scale)
    limit = HUBER_K * scale
    for _ in range(_ROUNDS):
        step = float(np.mean(np.clip(values - centre, -limit, limit)))
        inside = float(np.mean(np.abs(values - centre) <= limit))
        centre += step / max(inside, 0.1)
        if abs(step) < 1e-10 * scale:
            break
    psi = np.clip(values - centre, -limit, limit)
    inside = max(float(np.mean(np.abs(values - centre) <= limit)), 0.1)
    variance = float(np.mean(psi**2)) / inside**2 / len(values)
    return Location(centre, float(np.sqrt(variance * inflation(psi))), scale)


def inflation(residuals: Floats) -> float:
    """Return by how much correlation from sample to sample raises the variance of a mean. [-]

    One plus twice the sum of the autocorrelations up to the first that is not positive
    (Geyer 1992, Stat. Sci. 7:473: the initial positive sequence), at least 1.
    """
    n = len(residuals)
    centred = residuals - residuals.mean()
    power = np.fft.rfft(centred, 2 * n)
    autocovariance = np.fft.irfft(power * np.conj(power))[: n // 4 + 1]
    if autocovariance[0] <= 0 or n < 8:
        return 1.0
    rho = autocovariance / autocovariance[0]
    pairs = rho[: 2 * (len(rho) // 2)].reshape(-1, 2).sum(axis=1)
    negative = pairs <= 0
    n_pairs = int(np.argmax(negative)) if negative.any() else len(pairs)
    return float(np.clip(2.0 * pairs[:n_pairs].sum() - 1.0, 1.0, _MOST_INFLATION))


def least_squares(
    design: Floats, values: Floats, weights: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return the least-squares coefficients and the normal matrix.

    By the normal equations, which are tiny and, for the designs here (powers on -1 to 1, sines,
    cosines), well-conditioned. Summed without BLAS: its threads, waiting for one another over
    problems so small, cost more than the sums.
    """
    weighted = design if weights is None else design * weights[:, None]
    normal = np.einsum("ni,nj->ij", weighted, design)
    right = np.einsum("ni,n->i", weighted, values)
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / np.outer(size, size)
    try:
        solved = np.linalg.solve(scaled, right / size)
    except np.linalg.LinAlgError:  # columns that depend on one another
        solved = np.linalg.pinv(scaled) @ (right / size)
    return solved / size, normal


def times(design: Floats, coefficients: Floats) -> Floats:
    """Return the fitted values, summed without BLAS too."""
    return np.einsum("ni,i->n", design, coefficients)


@dataclass(frozen=True)
class Fit:
    """A linear least-squares fit: coefficients, their covariance, residuals."""

    coefficients: Floats
    covariance: Floats
    residuals: Floats


def robust_fit(design: Floats, values: Floats) -> Fit:
    """Return the Huber least-squares fit of ``values`` by the columns of ``design``.

    Iteratively reweighted, the scale being the MAD of the residuals about zero. The
    covariance allows for correlation from sample to sample.

    Parameters
    ----------
    design : shape (n_samples, n_terms)
        Of full rank, with more samples than terms.
    values : shape (n_samples,)
    """
    n, n_terms = design.shape
    weights = np.ones(n)
    coefficients, residuals = np.zeros(n_terms), values
    for _ in range(_ROUNDS):
        fitted, _ = least_squares(design, values, weights)
        residuals = values - times(design, fitted)
        scale = _SD_PER_MAD * float(np.median(np.abs(residuals)))
        settled = np.allclose(fitted, coefficients, rtol=1e-9, atol=1e-12)
        coefficients = fitted
        if scale == 0.0 or settled:
            break
        weights = np.minimum(1.0, HUBER_K * scale / np.maximum(np.abs(residuals), 1e-300))
    psi = residuals * weights
    inside = max(float(np.mean(weights == 1.0)), 0.1)
    variance = float(np.sum(psi**2)) / (n - n_terms) / inside**2
    _, normal = least_squares(design, values)
    covariance = np.linalg.pinv(normal) * variance * inflation(psi)
    return Fit(coefficients, covariance, residuals)


def theil_sen(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and intercept of the median pairwise line; pairs at equal x are skipped.

    The intercept is that of scipy's "joint" method, the median of y less slope times x: half of
    the points are above the line, wherever those that are off it lie.

    References
    ----------
    P. K. Sen, J. Am. Stat. Assoc. 63, 1379-1389, 1968.
    """
    first, second = np.triu_indices(len(x), 1)
    apart = x[second] - x[first]
    used = apart != 0
    slope = float(np.median((y[second] - y[first])[used] / apart[used]))
    return slope, float(np.median(y - slope * x))
