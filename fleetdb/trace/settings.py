"""What must be known of the vehicle's family before a trace can be put into figures."""

from __future__ import annotations

from dataclasses import dataclass

from fleetdb.fluid import REFERENCE_DIESEL, WaltherFluid
from fleetdb.fuel_stiffness import REFERENCE_DIESEL_STIFFNESS, FuelStiffness


@dataclass(frozen=True)
class TraceSettings:
    """Settings of the pump family, as far as known, and of this one test.

    What is None is not guessed: the figures that need it say so.
    """

    target_bar: float
    """Proof target. [bar]"""
    rail_max_bar: float
    """What the rail can hold. [bar]"""
    reference_fuel_temp_c: float
    rail_volume_ml: float | None = None
    """Rail with its high-pressure pipes, all that stands under pressure. [ml]"""
    proof_duty_pct: float | None = None
    strokes_per_engine_rev: float | None = None
    """Delivery strokes of the pump per turn of the engine: 1.5 for three elements at half
    the engine's speed. [-]"""
    pumping_elements: int | None = None
    """Strokes after which the pump has turned once and the same element delivers again. [-]"""
    inlet_valve_unplugged: bool | None = None
    """Whether the inlet metering valve was unplugged (it fails open, and the regulator alone
    sets the pressure). Connected, the control unit counteracts."""
    stiffness: FuelStiffness = REFERENCE_DIESEL_STIFFNESS
    viscosity: WaltherFluid = REFERENCE_DIESEL
