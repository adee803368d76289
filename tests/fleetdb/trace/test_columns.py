"""Column names say quantity and unit, in the ways people write them."""

from __future__ import annotations

import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.trace.columns import columns_of


def rail(name: str) -> float:
    """Return what one unit of the column ``name`` is in bar."""
    [column] = [c for c in columns_of(["time_s", name]) if c.field == "rail_bar"]
    return column.factor


# NIST SP 811: bar 1E+05 Pa, psi 6.894757E+03 Pa.
@pytest.mark.parametrize(
    ("name", "bar"),
    [
        ("rail_bar", 1.0),
        ("rail_mpa", 10.0),
        ("Rail (MPa)", 10.0),
        ("rail pressure [psi]", 0.06894757),
        ("RAIL_PRESSURE_PSI", 0.06894757),
        ("pressure_kpa", 0.01),
        ("  rail  ( bar ) ", 1.0),
    ],
)
def test_pressure_is_read_in_its_unit(name: str, bar: float) -> None:
    assert rail(name) == pytest.approx(bar, rel=1e-9)


def test_times_and_temperatures_are_read_in_theirs() -> None:
    columns = {c.field: c for c in columns_of(["t (ms)", "rail_bar", "fuel temp (°F)", "duty (%)"])}

    assert columns["time_s"].factor == pytest.approx(1e-3)
    fahrenheit = columns["fuel_temp_c"]
    assert 104.0 * fahrenheit.factor + fahrenheit.offset == pytest.approx(40.0)
    assert "duty_pct" in columns


def test_other_columns_are_passed_over() -> None:
    assert {c.field for c in columns_of(["time_s", "rail_bar", "battery_v", "remark"])} == {
        "time_s",
        "rail_bar",
    }


@pytest.mark.parametrize(
    ("names", "pointer", "words"),
    [
        (["time_s", "rail"], "/rail", "without its unit"),
        (["time_s", "rail (atm)"], "/rail (atm)", "'atm', which is not known"),
        (["time_s", "rail_bar", "rail_psi"], "/rail_psi", "same quantity as 'rail_bar'"),
        (["time_s", "rail_bar", "rail_bar"], "/rail_bar", "same quantity"),
        (["time_s", "rail_bar", "cranck_rpm"], "/cranck_rpm", "did you mean crank_rpm?"),
        (["rail_bar"], "/time_s", "is missing"),
        (["time_s", "volts"], "/rail_bar", "there are time_s, volts"),
        (["time_s", "rail (a/b~c)"], "/rail (a~1b~0c)", "not known"),
    ],
)
def test_what_is_unclear_is_asked_about(names: list[str], pointer: str, words: str) -> None:
    with pytest.raises(InvalidInputError) as caught:
        columns_of(names)

    assert caught.value.problems[0].pointer == pointer
    assert words in caught.value.problems[0].detail
