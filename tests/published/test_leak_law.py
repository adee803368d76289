"""Leak runs at other temperatures and pressures, brought to one, against the published law.

Source: M. G. Rabie, Fluid Power Engineering, McGraw-Hill 2009, eq. 2.19: laminar leakage
through a concentric annulus, Q = pi D c^3 dp / (12 mu L), here with D 6 mm, c 5 um, L 20 mm;
at 2 mPa s and 300 bar .147262 mL/s; the annulus without the thin gap's approximation passes
.147385, and a needle pressed to one side 2.5 times as much (read second-hand). What a leak run
says must not depend on how hot the fuel was or how high the pressure, if the clearance is the
same, and must grow with its cube.
"""

from __future__ import annotations

import math

import pytest

from fleetdb.fluid import REFERENCE_DIESEL
from fleetdb.trend.pipeline import assess
from tests.fleetdb.trend.small_tables import connect, day, leak, record, vehicle

REFERENCE_C, MU_REFERENCE_PA_S = 40.0, 2e-3


def annulus_ml_per_s(clearance_um: float, bar: float, mu_pa_s: float) -> float:
    diameter_m, length_m = 6e-3, 20e-3
    cubed = (clearance_um * 1e-6) ** 3
    return 1e6 * math.pi * diameter_m * cubed * bar * 1e5 / (12 * mu_pa_s * length_m)


def exact_annulus_ml_per_s(clearance_um: float, bar: float, mu_pa_s: float) -> float:
    """Laminar flow between two cylinders, whatever the gap (Poiseuille's law for an annulus)."""
    inner_m, length_m = 3e-3, 20e-3
    outer_m = inner_m + clearance_um * 1e-6
    between = (outer_m**2 - inner_m**2) ** 2 / math.log(outer_m / inner_m)
    area = outer_m**4 - inner_m**4 - between
    return 1e6 * math.pi * bar * 1e5 * area / (8 * mu_pa_s * length_m)


def run_of(name: str, at: float, clearance_um: float, bar: float, temp_c: float) -> dict:
    """Return a record with a leak run of 60 s, a tenth of the flow through each cylinder."""
    mu = MU_REFERENCE_PA_S * math.exp(
        float(REFERENCE_DIESEL.ln_viscosity_ratio(temp_c, REFERENCE_C))
    )
    ml = 60 * annulus_ml_per_s(clearance_um, bar, mu) / 4
    return record(name, at, 0.93, fuel_temp_c=temp_c, **leak(60.0, bar, ml, ml, ml, ml))


def test_the_law_gives_the_published_figure() -> None:
    assert annulus_ml_per_s(5, 300, 2e-3) == pytest.approx(0.147262, abs=5e-7)
    assert annulus_ml_per_s(10, 300, 2e-3) == pytest.approx(8 * 0.147262, abs=5e-6)
    assert exact_annulus_ml_per_s(5, 300, 2e-3) == pytest.approx(0.147385, abs=5e-7)


def test_twice_and_a_half_the_flow_is_two_and_a_half_times_the_leak() -> None:
    """As much as needles pressed to one side pass, whatever the rest of the fleet does."""
    names = [f"V{n}" for n in range(1, 9)]
    records = [run_of(name, at, 5.0, 300.0, 40.0) for name in names for at in (1, 30, 60)]
    for row in records:
        if row["vehicle"] == "V1":
            row["leak_cylinders"] = [{**c, "ml": 2.5 * c["ml"]} for c in row["leak_cylinders"]]

    with connect(vehicles=[vehicle(name) for name in names], test_records=records) as connection:
        verdicts = assess(connection, day(90)).verdicts.to_pylist()

    told = {row["vehicle"]: row["leak_ml_per_min"] for row in verdicts}
    assert told["V1"] / told["V2"] == pytest.approx(2.5)


def test_a_leak_is_told_by_its_clearance_whatever_the_temperature_and_the_pressure() -> None:
    conditions = {"V1": (300.0, 40.0), "V2": (300.0, 15.0), "V3": (450.0, 40.0), "V4": (250.0, 70)}
    records = [
        run_of(name, at, 5.0, *where) for name, where in conditions.items() for at in (1, 30, 60)
    ]
    records += [run_of("V5", at, 10.0, 300.0, 25.0) for at in (1, 30, 60)]
    vehicles = [vehicle(name) for name in (*conditions, "V5")]

    with connect(vehicles=vehicles, test_records=records) as connection:
        verdicts = assess(connection, day(90)).verdicts.to_pylist()

    told = {row["vehicle"]: row["leak_ml_per_min"] for row in verdicts}
    expected = 60 * annulus_ml_per_s(5, 300, MU_REFERENCE_PA_S)
    for name in conditions:
        assert told[name] == pytest.approx(expected, rel=1e-6)
    assert told["V5"] == pytest.approx(8 * expected, rel=1e-6)
