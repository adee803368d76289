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
