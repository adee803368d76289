from __future__ import annotations

from typing import Any

import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.fluid import REFERENCE_DIESEL
from fleetdb.trend_settings import TrendSettings


def test_what_is_not_set_is_a_middling_road_diesel() -> None:
    assert TrendSettings().fluid == REFERENCE_DIESEL


def test_the_fuel_goes_through_both_viscosities() -> None:
    own = TrendSettings(
        fuel_cold_c=20, fuel_cold_mm2_per_s=3.4, fuel_hot_c=60, fuel_hot_mm2_per_s=1.7
    )

    assert own.fluid.kinematic_viscosity_mm2_per_s([20.0, 60.0]) == pytest.approx([3.4, 1.7], 1e-3)


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"horizon_days": 14.9}, "/horizon_days"),
        ({"horizon_days": 366}, "/horizon_days"),
        ({"horizon_days": float("nan")}, "/horizon_days"),
        ({"fuel_cold_mm2_per_s": 280}, "/fuel_cold_mm2_per_s"),
        ({"fuel_hot_mm2_per_s": 2.9}, "/fuel_hot_mm2_per_s"),
        ({"fuel_hot_c": 59}, "/fuel_hot_c"),
        ({"fuel_cold_c": -273}, "/fuel_cold_c"),
    ],
)
def test_what_no_fuel_or_forecast_can_be_is_refused(fields: dict[str, Any], pointer: str) -> None:
    with pytest.raises(InvalidInputError) as refused:
        TrendSettings(**fields)

    assert [problem.pointer for problem in refused.value.problems] == [pointer]


# Limits at 40 degC, read second-hand: EN 590 road diesel 2.00 to 4.50 mm2/s; ISO 4113 calibration
# fluid 2.45 to 2.75 mm2/s (as given by KS R ISO 4113:2012).
@pytest.mark.parametrize("at_40_c", [2.00, 4.50, 2.45, 2.75])
def test_the_fuels_of_the_standards_can_be_set(at_40_c: float) -> None:
    # Twice as thin at 80 degC is what a thick diesel is; the exact figure is of no weight here.
    own = TrendSettings(fuel_cold_mm2_per_s=at_40_c, fuel_hot_c=80, fuel_hot_mm2_per_s=at_40_c / 2)

    assert own.fluid.kinematic_viscosity_mm2_per_s(40.0) == pytest.approx(at_40_c, rel=1e-3)
    # Cold fuel holds pressure better: what a test at 10 degC gains, any of these says alike.
    gained = own.fluid.ln_viscosity_ratio(10.0, 40.0)
    assert 0.4 < gained < 1.3
