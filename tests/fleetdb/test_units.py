"""Units against NIST SP 811 (2008), Appendix B, and its values as SciPy has them."""

import pytest
from scipy import constants

from fleetdb import units


@pytest.mark.parametrize(
    ("ours", "nist"),
    [
        (units.PA_PER_PSI, 6.894757e03),
        (units.PA_PER_BAR, 1.0e05),
        (units.PA_PER_ATM, 1.01325e05),
        (units.ML_PER_US_FL_OZ * 1e-6, 2.957353e-05),
        (units.ML_PER_UK_FL_OZ * 1e-6, 2.841306e-05),
        (units.ML_PER_US_GAL * 1e-6, 3.785412e-03),
        (units.KM_PER_MILE * 1e3, 1.609344e03),
        (units.MM2_PER_S_PER_STOKES * 1e-6, 1e-04),
    ],
)
def test_factors_are_those_of_nist_sp_811_appendix_b(ours: float, nist: float) -> None:
    assert ours == pytest.approx(nist, rel=1e-12)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (units.PA_PER_PSI, constants.psi),
        (units.PA_PER_BAR, constants.bar),
        (units.PA_PER_ATM, constants.atm),
        (units.ML_PER_US_FL_OZ * 1e-6, constants.fluid_ounce_US),
        (units.ML_PER_UK_FL_OZ * 1e-6, constants.fluid_ounce_imp),
        (units.ML_PER_US_GAL * 1e-6, constants.gallon_US),
        (units.KM_PER_MILE * 1e3, constants.mile),
    ],
)
def test_factors_agree_with_scipy_to_the_digits_nist_gives(ours: float, theirs: float) -> None:
    assert ours == pytest.approx(theirs, rel=5e-7)


def test_1600_bar_is_23206_psi() -> None:
    # 1600e5 / scipy.constants.psi = 23206.038; the factor of NIST SP 811 has 7 digits.
    assert units.psi_from_bar(1600) == pytest.approx(23206.038, rel=5e-7)
    assert units.bar_from_psi(23206.038) == pytest.approx(1600, rel=5e-7)


def test_temperatures_and_distances_convert_at_known_points() -> None:
    # NIST SP 811, B.8: C = (F - 32) / 1.8.
    assert units.celsius_from_fahrenheit(212) == pytest.approx(100)
    assert units.celsius_from_fahrenheit(-40) == pytest.approx(-40)
    assert units.km_from_miles(1) == 1.609344
    assert units.ml_from_us_fl_oz(128) == pytest.approx(units.ML_PER_US_GAL, rel=1e-6)
