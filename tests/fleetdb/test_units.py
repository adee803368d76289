"""Units against NIST SP 811 (2008), Appendix B, and its values as SciPy has them."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from fleetdb import units
from fleetdb.units import Quantity


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


@pytest.mark.parametrize(
    ("quantity", "unit", "typed", "inside"),
    [
        # NIST SP 811 (2008), Appendix B.8, factors and its rule for Fahrenheit.
        (Quantity.PRESSURE, "psi", "1", 6.894757e03 / 1e5),
        (Quantity.PRESSURE, "MPa", "65.25", 652.5),
        (Quantity.VOLUME, "US fl oz", "1", 2.957353e01),
        (Quantity.DISTANCE, "miles", "1", 1.609344),
        (Quantity.TEMPERATURE, "°F", "98.6", 37.0),
        (Quantity.TEMPERATURE, "°F", "-40", -40.0),
    ],
)
def test_what_is_typed_converts_by_the_factors_of_nist_sp_811(
    quantity: Quantity, unit: str, typed: str, inside: float
) -> None:
    # Rounded once, at the end: equal, not merely close.
    assert units.UNITS[quantity][unit].inside(Fraction(typed)) == inside


def test_the_factors_of_units_that_are_typed_agree_with_scipy_to_the_digits_nist_gives() -> None:
    by_name = {name: unit for of in units.UNITS.values() for name, unit in of.items()}
    assert float(by_name["psi"].size) == pytest.approx(constants.psi / constants.bar, rel=5e-7)
    assert float(by_name["US fl oz"].size) == pytest.approx(constants.fluid_ounce * 1e6, rel=5e-7)
    assert float(by_name["miles"].size) == pytest.approx(constants.mile / 1000, rel=1e-12)


@given(st.sampled_from([u for of in units.UNITS.values() for u in of.values()]), st.floats(0, 1e5))
def test_out_and_in_again_is_where_it_was(unit: units.Unit, value: float) -> None:
    assert unit.inside(Fraction(unit.outside(value))) == pytest.approx(value, rel=1e-12, abs=1e-9)


def test_the_inside_unit_of_each_quantity_changes_nothing() -> None:
    for unit in units.INSIDE.values():
        assert unit.inside(Fraction("650.1")) == 650.1
