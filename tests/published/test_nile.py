"""The reserve filter as a local level model, on the Nile's flow at Aswan, 1871 to 1970.

Source: J. Durbin and S. J. Koopman, Time Series Analysis by State Space Methods, 2nd edition,
Oxford 2012, chapter 2. The two variances are the published maximum likelihood estimates, from
memory; every figure derived from them is verified, by the Kalman filter of statsmodels 0.15
with an exact diffuse start, which also runs here.

With no wear, damage or repair, no cap and no botched runs the filter is a local level model
on a grid: its wander is the level's noise, its scatter from test to test the irregular. The
flow is mapped onto ln reserve so that every flood is on the grid, whose range is then 1240
units of flow; a node is 21 units, against 63.5 of the level's own uncertainty. Tolerances are
what such a grid costs: 0.5 units of flow (0.8 % of that uncertainty) for a level, 0.5 % for a
variance, 0.01 for the log-likelihood.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.datasets import nile

from fleetdb.trend.beliefs import Floats, PumpBelief, RecordBelief
from fleetdb.trend.filtering import run_filter
from fleetdb.trend.reserve_filter import LN_RESERVE, LN_RESERVE_STEP, N_PACES, N_RESERVES
from tests.fleetdb.trend.pump_readings import CONSTANTS, WINDOWS, readings

IRREGULAR, LEVEL_NOISE = 15099.0, 1469.1
LN_PER_FLOW = 0.0021
MIDDLE_FLOW, MIDDLE_LN = 1060.0, float(LN_RESERVE[[0, -1]].mean())
# The filter wanders at most 0.4 node^2 a quarter; in four years the Nile's level noise is less.
YEARS_PER_FLOOD = 4.0
GRID_WIDTH = N_RESERVES * LN_RESERVE_STEP / LN_PER_FLOW
NORMAL_80 = 2 * 1.2815515655446004

# Nothing happens to the pump: no wear begins or quickens, no damage, no recovery.
NO_EVENTS = {name: 0.0 for name in CONSTANTS._fields if name.endswith("_per_y")}
LOCAL_LEVEL = CONSTANTS._replace(
    **{**NO_EVENTS, "wear_relief_per_y": 1e15},
    ln_reserve_new=MIDDLE_LN,
    sd_ln_reserve_new=1e3,  # flat over the grid, as a diffuse start is over the line
    ln_cap=50.0,
    # Anywhere in the node a reserve may lie; the filter adds that variance by itself.
    sd_reach=0.0,
    sd_ratio=math.sqrt(LN_PER_FLOW**2 * IRREGULAR - LN_RESERVE_STEP**2 / 12),
    wander_per_sqrt_y=LN_PER_FLOW * math.sqrt(LEVEL_NOISE / YEARS_PER_FLOOD),
    p_botched_ratio=0.0,
    p_botched_build=0.0,
    p_botched_both=0.0,
    p_passing_loss=0.0,
)


def volume() -> Floats:
    return nile.load_pandas().data["volume"].to_numpy(dtype=float)


def flow(ln_reserve: Floats) -> Floats:
    return MIDDLE_FLOW + (ln_reserve - MIDDLE_LN) / LN_PER_FLOW


def followed(floods_ahead: int = 0) -> tuple[RecordBelief, PumpBelief]:
    """Return the filter's belief at each flood, and ``floods_ahead`` after the last."""
    y = volume()
    # A new pump may be of any pace. At so great a relief each moment, however short, takes
    # every pace one step down: these records, on which nothing was measured, leave only "none".
    moments = 1e-9 * np.arange(1, N_PACES + 1)
    at_y = np.concatenate([moments, YEARS_PER_FLOOD * np.arange(1, len(y) + 1)])
    ln_ratio = np.concatenate(
        [np.full(N_PACES, np.nan), MIDDLE_LN + LN_PER_FLOW * (y - MIDDLE_FLOW)]
    )
    records, pump = run_filter(
        readings(at_y, ln_ratio),
        WINDOWS,
        np.array([0, len(at_y)]),
        np.array([0.0]),
        np.array([at_y[-1] + floods_ahead * YEARS_PER_FLOOD]),
        LOCAL_LEVEL,
        limit=0.8,
    )
    return RecordBelief._make(values[N_PACES:] for values in records), pump


@pytest.fixture(scope="module")
def kalman():
    model = sm.tsa.UnobservedComponents(volume(), "local level", use_exact_diffuse=True)
    return model.smooth([IRREGULAR, LEVEL_NOISE])


def test_the_pump_does_not_wear() -> None:
    _, pump = followed()

    assert pump.wear_per_y[0] == pytest.approx(0.0, abs=1e-12)


def test_the_levels_are_the_published_ones() -> None:
    records, _ = followed()
    level = flow(records.ln_reserve)

    assert level[0] == pytest.approx(1120.0, abs=0.2)
    assert level[1] == pytest.approx(1140.928, abs=0.2)
    assert level[-1] == pytest.approx(798.370, abs=0.2)


def test_every_level_is_the_kalman_filters(kalman) -> None:
    records, _ = followed()

    np.testing.assert_allclose(flow(records.ln_reserve), kalman.filtered_state[0], atol=0.5)


def test_the_steady_forecast_variance_is_the_published_one(kalman) -> None:
    records, _ = followed()
    variance = records.var_ratio_residual / LN_PER_FLOW**2

    assert variance[-1] == pytest.approx(20600.258, rel=5e-3)
    np.testing.assert_allclose(variance[1:], kalman.forecasts_error_cov[0, 0, 1:], rtol=5e-3)


def test_every_forecast_error_is_the_kalman_filters(kalman) -> None:
    records, _ = followed()

    np.testing.assert_allclose(
        records.ratio_residual[1:] / LN_PER_FLOW, kalman.forecasts_error[0, 1:], atol=0.5
    )


@pytest.mark.parametrize("floods_ahead", [0, 1, 4])
def test_the_levels_uncertainty_grows_by_its_noise(floods_ahead: int) -> None:
    _, pump = followed(floods_ahead)

    sd = float(np.ptp(flow(pump.ln_reserve[0]))) / NORMAL_80
    # Points are read off within a node, as if its mass lay evenly: 1 % of the spread.
    assert sd == pytest.approx(math.sqrt(4032.158 + floods_ahead * LEVEL_NOISE), rel=1e-2)


def test_the_evidence_is_the_published_likelihood() -> None:
    _, pump = followed()

    # The density is per unit of flow, not of ln reserve. The first flood had a flat start over
    # the grid's width; the diffuse likelihood counts it as a standard normal's peak instead.
    per_flow = pump.log_evidence[0] + len(volume()) * math.log(LN_PER_FLOW)
    diffuse = per_flow + math.log(GRID_WIDTH) - 0.5 * math.log(2 * math.pi)
    assert diffuse == pytest.approx(-633.46456, abs=1e-2)
