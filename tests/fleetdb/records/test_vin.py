"""Check digits of vehicle identification numbers (49 CFR 565.15(c))."""

import pytest

from fleetdb.records.vin import vin_check_digit, vin_oddity


@pytest.mark.parametrize(
    ("vin", "digit"),
    [
        # The sample of 49 CFR 565.15, Table V: sum 411, remainder 4.
        ("1G4AH59H?5G118341", "4"),
        # From memory, a number often used as an example: sum 351, remainder 10, written X.
        ("1M8GDM9AXKP042788", "X"),
        # Every position 1: the weights sum to 89, remainder 1.
        ("11111111111111111", "1"),
    ],
)
def test_the_check_digit_is_the_weighted_sum_modulo_11(vin: str, digit: str) -> None:
    assert vin_check_digit(vin) == digit
    assert vin_check_digit(vin.lower()) == digit
    assert vin_oddity(vin[:8] + digit + vin[9:]) is None


def test_a_slip_in_any_position_changes_the_check_digit() -> None:
    vin = "1M8GDM9AXKP042788"
    for position in [*range(8), *range(9, 17)]:
        other = "5" if vin[position] != "5" else "6"
        slipped = vin[:position] + other + vin[position + 1 :]
        if vin_check_digit(slipped) != "X":
            assert "check digit would be" in str(vin_oddity(slipped))
    # A letter and a digit may share a value; a digit for another digit never does.
    assert vin_oddity("1M8GDM9AXKP042798") is not None


@pytest.mark.parametrize("letter", "IOQioq-é ")
def test_letters_no_vin_has_are_odd(letter: str) -> None:
    with pytest.raises(ValueError, match="not used in a VIN"):
        vin_check_digit("1M8GDM9AXKP04278" + letter)

    assert "not used in a VIN" in str(vin_oddity("1M8GDM9AXKP04278" + letter))


@pytest.mark.parametrize("vin", ["", "1M8GDM9AXKP04278", "1M8GDM9AXKP0427888"])
def test_another_length_is_odd(vin: str) -> None:
    assert "17 characters" in str(vin_oddity(vin))
