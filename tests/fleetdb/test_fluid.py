"""Viscosity against published values; the source is named beside each."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.fluid import ABSOLUTE_ZERO_C, REFERENCE_DIESEL, WaltherFluid

# n-Dodecane at 1 bar by CoolProp 8.0: density of Lemmon & Huber 2004 (Energy Fuels 18:960)
# and viscosity of Huber et al. 2004 (18:968). degC: (kg/m3, mPa s).
DODECANE = {
    20.0: (749.44, 1.4885),
    40.0: (734.64, 1.0610),
    60.0: (719.86, 0.8002),
    80.0: (705.01, 0.6284),
    100.0: (690.00, 0.5083),
}


def kinematic(density_kg_per_m3: float, viscosity_mpa_s: float) -> float:
    return 1000 * viscosity_mpa_s / density_kg_per_m3


# A calculation sheet citing ASTM D341: 32 mm2/s at 40 degC and 5.4 at 100 degC give
# A 9.5259, B 3.7449 with T = C + 273, and with 273.15 A 9.53082, B 3.74658; 8.53 at 80 degC
# either way.
def test_the_published_line_through_two_viscosities_is_found() -> None:
    oil = WaltherFluid.through(40, 32, 100, 5.4)

    assert oil.a == pytest.approx(9.53082, abs=5e-6)
    assert oil.b == pytest.approx(3.74658, abs=5e-6)
    assert oil.kinematic_viscosity_mm2_per_s(80) == pytest.approx(8.53321, abs=5e-6)


def test_the_line_of_the_older_convention_of_273_kelvin_is_found_too() -> None:
    # Temperatures moved so that this module's kelvins are C + 273.
    moved = 273 + ABSOLUTE_ZERO_C
    oil = WaltherFluid.through(40 + moved, 32, 100 + moved, 5.4)

    assert oil.a == pytest.approx(9.5259, abs=5e-5)
    assert oil.b == pytest.approx(3.7449, abs=5e-5)
    assert oil.kinematic_viscosity_mm2_per_s(80 + moved) == pytest.approx(8.5331, abs=5e-5)


def test_dodecane_below_2_mm2_per_s_is_within_0_6_percent() -> None:
    fuel = WaltherFluid.through(20, kinematic(*DODECANE[20.0]), 100, kinematic(*DODECANE[100.0]))

    for temp_c, values in DODECANE.items():
        viscosity = fuel.kinematic_viscosity_mm2_per_s(temp_c)
        assert viscosity == pytest.approx(kinematic(*values), rel=0.006)


# EN 590: 2.00 to 4.50 mm2/s at 40 degC.
def test_the_reference_diesel_is_a_road_diesel() -> None:
    assert 2.0 <= REFERENCE_DIESEL.kinematic_viscosity_mm2_per_s(40) <= 4.5


def test_viscosity_falls_as_temperature_rises_over_the_whole_range_of_use() -> None:
    temps = np.linspace(-30, 150, 200)

    viscosity = REFERENCE_DIESEL.kinematic_viscosity_mm2_per_s(temps)

    assert np.all(np.diff(viscosity) < 0)
    assert np.all(viscosity > 0)


# The way back from Z to viscosity is a fitted approximation of the way there: 0.1 % here.
@pytest.mark.parametrize(
    ("cold", "hot"), [(32.0, 5.4), (2.8, 1.15), (2.1, 0.95), (1.4, 0.75)], ids=str
)
def test_the_line_passes_through_its_anchors(cold: float, hot: float) -> None:
    fluid = WaltherFluid.through(40, cold, 100, hot)

    viscosity = fluid.kinematic_viscosity_mm2_per_s([40, 100])

    np.testing.assert_allclose(viscosity, [cold, hot], rtol=1e-3)


def test_the_order_of_the_anchors_does_not_matter() -> None:
    one, other = WaltherFluid.through(40, 3, 100, 1.2), WaltherFluid.through(100, 1.2, 40, 3)

    assert (one.a, one.b) == (pytest.approx(other.a), pytest.approx(other.b))


def test_nan_stays_nan_and_spoils_nothing_else() -> None:
    viscosity = REFERENCE_DIESEL.kinematic_viscosity_mm2_per_s([np.nan, 40.0])

    assert np.isnan(viscosity[0])
    assert viscosity[1] == pytest.approx(2.8, rel=1e-3)
    assert np.isnan(REFERENCE_DIESEL.ln_viscosity_ratio(np.nan, 40.0))


def test_the_ratio_of_viscosities_is_zero_at_the_reference_and_changes_sign_when_turned() -> None:
    assert REFERENCE_DIESEL.ln_viscosity_ratio(40, 40) == 0
    cold = REFERENCE_DIESEL.ln_viscosity_ratio(5, 40)
    assert cold > 0
    assert REFERENCE_DIESEL.ln_viscosity_ratio(40, 5) == pytest.approx(-cold)


@pytest.mark.parametrize("anchors", [(40, 3, 40, 2), (40, 0, 100, 1), (40, 3, 100, -1)], ids=str)
def test_anchors_that_make_no_line_are_refused(anchors: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="two different temperatures"):
        WaltherFluid.through(*anchors)
