"""Units against NIST SP 811 (2008), Appendix B, and its values as SciPy has them."""

import pytest
from scipy import constants

from fleetdb import units


@pytest.mark.parametrize(
    ("ours", "nist"),
    [
        (units.PA_PER_PSI, 6.894757e03),
        (units.PA_PER_BAR, 1.0e05),
    ],
)
def test_factors_are_those_of_nist_sp_811_appendix_b(ours: float, nist: float) -> None:
    assert ours == pytest.approx(nist, rel=1e-12)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (units.PA_PER_PSI, constants.psi),
        (units.PA_PER_BAR, constants.bar),
    ],
)
def test_factors_agree_with_scipy_to_the_digits_nist_gives(ours: float, theirs: float) -> None:
    assert ours == pytest.approx(theirs, rel=5e-7)


def test_23206_psi_are_1600_bar() -> None:
    # 1600e5 / scipy.constants.psi = 23206.038; the factor of NIST SP 811 has 7 digits.
    assert units.bar_from_psi(23206.038) == pytest.approx(1600, rel=5e-7)


def test_temperatures_convert_at_known_points() -> None:
    # NIST SP 811, B.8: C = (F - 32) / 1.8.
    assert units.celsius_from_fahrenheit(212) == pytest.approx(100)
    assert units.celsius_from_fahrenheit(-40) == pytest.approx(-40)
