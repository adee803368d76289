"""Bulk modulus against published values; the source is named beside each."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.fuel_stiffness import (
    N_DODECANE_STIFFNESS,
    REFERENCE_DIESEL_STIFFNESS,
    FuelStiffness,
)

# n-Dodecane, isentropic [GPa] at 1, 300, 700 and 1600 bar: CoolProp 8.0 with the equation of
# state of Lemmon & Huber 2004 (Energy Fuels 18:960; sound speed 0.5 %). At 20 degC and 1600
# bar it is probably solid.
PUBLISHED = {
    20.0: (1.2688, 1.6444, 2.1038),
    40.0: (1.0967, 1.4668, 1.9175, 2.8506),
    60.0: (0.9464, 1.3114, 1.7538, 2.6696),
    80.0: (0.8144, 1.1747, 1.6090, 2.5082),
}
PRESSURES_BAR = (1.0, 300.0, 700.0, 1600.0)


@pytest.mark.parametrize("temp_c", PUBLISHED)
def test_dodecane_is_as_stiff_as_published(temp_c: float) -> None:
    values = PUBLISHED[temp_c]
    found = N_DODECANE_STIFFNESS.bulk_modulus_bar(PRESSURES_BAR[: len(values)], temp_c)

    assert found / 1e4 == pytest.approx(np.array(values), rel=0.001)


# 1375 m/s in 830 kg/m3 (from memory): density times the square of the speed of sound.
def test_road_diesel_is_as_stiff_as_its_speed_of_sound_says() -> None:
    found = REFERENCE_DIESEL_STIFFNESS.bulk_modulus_bar(1.0, 20.0)

    assert float(found) == pytest.approx(830 * 1375**2 / 1e5, rel=0.01)


def test_fuel_stiffens_with_pressure_and_softens_with_warmth() -> None:
    pressures = np.linspace(0.0, 2500.0, 200)
    for temp_c in (-20.0, 20.0, 60.0, 120.0):
        assert (np.diff(REFERENCE_DIESEL_STIFFNESS.bulk_modulus_bar(pressures, temp_c)) > 0).all()
    temps = np.linspace(-20.0, 120.0, 100)
    assert (np.diff(REFERENCE_DIESEL_STIFFNESS.bulk_modulus_bar(700.0, temps)) < 0).all()


def test_a_constant_fuel_depends_on_nothing() -> None:
    found = FuelStiffness.constant(16_000.0).bulk_modulus_bar([0.0, 900.0], [10.0, 80.0])

    assert found == pytest.approx([16_000.0, 16_000.0], rel=1e-12)
