"""The least squares of the trace figures against NIST's certified regressions (StRD)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from statsmodels.datasets import longley

from fleetdb.trace.robust import least_squares, times
from fleetdb.trend.beliefs import Floats

# NIST StRD, Norris: B0, B1 and their standard deviations, residual standard deviation, R squared
# and F.
NORRIS = (-0.262323073774029, 1.00211681802045)
NORRIS_SD = (0.232818234301152, 0.429796848199937e-03)
NORRIS_RESIDUAL_SD = 0.884796396144373
NORRIS_R2, NORRIS_F = 0.999993745883712, 5436385.54079785
# NIST StRD, Longley: B0 to B6, their standard deviations, the residual standard deviation and R
# squared (from memory, confirmed in exact rationals by those who gave it).
LONGLEY = (
    *(-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683),
    *(-1.03322686717359, -0.0511041056535807, 1829.15146461355),
)
LONGLEY_SD = (
    *(890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699),
    *(0.214274163161675, 0.226073200069370, 455.478499142212),
)
LONGLEY_RESIDUAL_SD = 304.854073561965
LONGLEY_R2 = 0.995479004577296


def norris() -> tuple[Floats, Floats]:
    """Return x and y of the 36 points, as SciPy's own tests carry them."""
    file = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    if not file.exists():
        pytest.skip("this build of SciPy comes without its tests' data")
    lines = file.read_text().splitlines()[60:96]
    y, x = np.array([line.split() for line in lines], dtype=float).T
    return x, y


def residual_sd(design: Floats, y: Floats, coefficients: Floats) -> float:
    off = y - times(design, coefficients)
    return float(np.sqrt((off @ off) / (len(y) - design.shape[1])))


def r_squared(design: Floats, y: Floats, coefficients: Floats) -> float:
    off, about_mean = y - times(design, coefficients), y - y.mean()
    return float(1.0 - (off @ off) / (about_mean @ about_mean))


def test_norris_line_and_its_uncertainty() -> None:
    x, y = norris()
    design = np.column_stack([np.ones_like(x), x])

    coefficients, normal = least_squares(design, y)

    np.testing.assert_allclose(coefficients, NORRIS, rtol=1e-9)
    sd = residual_sd(design, y, coefficients)
    assert sd == pytest.approx(NORRIS_RESIDUAL_SD, rel=1e-9)
    np.testing.assert_allclose(sd * np.sqrt(np.diag(np.linalg.inv(normal))), NORRIS_SD, rtol=1e-9)
    assert r_squared(design, y, coefficients) == pytest.approx(NORRIS_R2, rel=1e-12)
    explained = times(design, coefficients) - y.mean()
    assert (explained @ explained) / sd**2 == pytest.approx(NORRIS_F, rel=1e-9)


def test_longley_on_centred_columns() -> None:
    """Columns as the trace figures make them: about zero, within 1."""
    data = longley.load_pandas()
    raw = data.exog[["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]].to_numpy(dtype=float)
    middle, reach = (raw.max(axis=0) + raw.min(axis=0)) / 2, np.ptp(raw, axis=0) / 2
    design = np.column_stack([np.ones(len(raw)), (raw - middle) / reach])
    y = data.endog.to_numpy(dtype=float)

    coefficients, normal = least_squares(design, y)

    # Back to the columns as they are: B0 takes what centring took from each.
    to_raw = np.diag(np.concatenate([[1.0], 1.0 / reach]))
    to_raw[0, 1:] = -middle / reach
    sd = residual_sd(design, y, coefficients)
    np.testing.assert_allclose(to_raw @ coefficients, LONGLEY, rtol=1e-7)
    covariance = sd**2 * to_raw @ np.linalg.inv(normal) @ to_raw.T
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), LONGLEY_SD, rtol=1e-7)
    assert sd == pytest.approx(LONGLEY_RESIDUAL_SD, rel=1e-9)
    assert r_squared(design, y, coefficients) == pytest.approx(LONGLEY_R2, rel=1e-9)
