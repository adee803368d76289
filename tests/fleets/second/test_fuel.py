import numpy as np
import pytest

from tests.fleets.second.fuel import VogelFuel

FUEL = VogelFuel()


@pytest.mark.parametrize(("temp_c", "viscosity"), [(10, 5.8), (40, 2.8), (100, 1.15)])
def test_a_middling_diesel_is_as_thick_as_common_practice_says(temp_c, viscosity):
    # Common practice, no source.
    assert FUEL.kinematic_viscosity_mm2_per_s(temp_c) == pytest.approx(viscosity, rel=0.02)


def test_fuel_is_thinnest_in_midwinter_and_thickest_in_midsummer():
    day = np.arange(365)
    share = FUEL.winter_share(day)
    assert share.max() == pytest.approx(1.0)
    assert share.min() == pytest.approx(0.0, abs=1e-4)
    assert abs(int(share.argmax()) - 20) <= 1
    over = FUEL.viscosity_over_reference(40.0, day, 0.0, 40.0)
    assert over.min() / over.max() == pytest.approx(1 - FUEL.winter_thinner, abs=1e-3)


def test_the_reference_is_the_middle_of_the_years_blends():
    over = FUEL.viscosity_over_reference(40.0, np.array([20, 202]), 0.0, 40.0)
    assert over.mean() == pytest.approx(1.0, abs=1e-3)
