"""What a pump can do at most stays above what pumps and fuels do."""

from __future__ import annotations

from fleetdb.records.documents import PumpFamily
from fleetdb.records.flow_limits import (
    STIFFEST_FUEL_BAR,
    fastest_build_bar_per_s,
    most_leak_ml_per_min,
)
from fleetdb.records.parsing import parse_as
from tests.documents import FAMILY

FAMILY_X = parse_as(PumpFamily, FAMILY)


def test_the_stiffest_fuel_is_stiffer_than_dodecane_while_cranking() -> None:
    # n-Dodecane, isentropic [GPa] at 20 degC and 1, 300, 700 bar (Lemmon & Huber 2004,
    # Energy Fuels 18:960, computed by CoolProp); 1 GPa is 10,000 bar.
    assert max(1.2688, 1.6444, 2.1038) * 10_000 < STIFFEST_FUEL_BAR < 1.25 * 21_038


def test_the_fastest_build_is_the_rail_balance_without_a_leak() -> None:
    # (K / V) * Vd * n = 25,000 bar / 40 ml * 0.9 ml * 200 / 60 s
    assert fastest_build_bar_per_s(FAMILY_X, 200).value == 1875
    assert fastest_build_bar_per_s(FAMILY_X, 100).value == 937.5
    assert fastest_build_bar_per_s(FAMILY_X, None).value == 3750


def test_the_most_leak_is_all_that_the_pump_sweeps() -> None:
    assert most_leak_ml_per_min(FAMILY_X).value == 1800
