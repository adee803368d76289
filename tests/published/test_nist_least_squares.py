"""The least squares of the trace figures against NIST's certified regressions (StRD)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from statsmodels.datasets import longley

from fleetdb.trace.robust import least_squares, times
from fleetdb.trend.beliefs import Floats

# NIST StRD, Norris: B0, B1 and their standard deviations, residual standard deviation.
NORRIS = (-0.262323073774029, 1.00211681802045)
NORRIS_SD = (0.232818234301152, 0.429796848199937e-03)
NORRIS_RESIDUAL_SD = 0.884796396144373
# NIST StRD, Longley: B1 to B6 and the residual standard deviation (from memory, confirmed in
# exact rationals by those who gave it).
LONGLEY = (
    *(15.0618722713733, -0.0358191792925910, -2.02022980381683),
    *(-1.03322686717359, -0.0511041056535807, 1829.15146461355),
)
LONGLEY_RESIDUAL_SD = 304.854073561965


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


def test_norris_line_and_its_uncertainty() -> None:
    x, y = norris()
    design = np.column_stack([np.ones_like(x), x])

    coefficients, normal = least_squares(design, y)

    np.testing.assert_allclose(coefficients, NORRIS, rtol=1e-9)
    sd = residual_sd(design, y, coefficients)
    assert sd == pytest.approx(NORRIS_RESIDUAL_SD, rel=1e-9)
    np.testing.assert_allclose(sd * np.sqrt(np.diag(np.linalg.inv(normal))), NORRIS_SD, rtol=1e-9)


def test_longley_on_centred_columns() -> None:
    """Columns as the trace figures make them: about zero, within 1."""
    data = longley.load_pandas()
    raw = data.exog[["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]].to_numpy(dtype=float)
    middle, reach = (raw.max(axis=0) + raw.min(axis=0)) / 2, np.ptp(raw, axis=0) / 2
    design = np.column_stack([np.ones(len(raw)), (raw - middle) / reach])
    y = data.endog.to_numpy(dtype=float)

    coefficients, _ = least_squares(design, y)

    np.testing.assert_allclose(coefficients[1:] / reach, LONGLEY, rtol=1e-7)
    assert residual_sd(design, y, coefficients) == pytest.approx(LONGLEY_RESIDUAL_SD, rel=1e-9)
