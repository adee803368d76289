"""Traces with known answers: the rail's balance integrated, apart from fleetdb and demo_fleet.

dp/dt = K(p) / V * (q(t) - G p - regulator), integrated by ``scipy.integrate.solve_ivp``. The
fuel is n-dodecane: its isentropic bulk modulus K is interpolated in the published values below,
never taken from fleetdb.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from fleetdb.trace.model import Trace, TraceKind

Floats = NDArray[np.float64]

# Isentropic bulk modulus of n-dodecane [GPa] at 1, 300, 700 and 1600 bar: CoolProp 8.0 with the
# equation of state of Lemmon & Huber 2004 (Energy Fuels 18:960).
PRESSURES_BAR = (1.0, 300.0, 700.0, 1600.0)
N_DODECANE_GPA = {
    40.0: (1.0967, 1.4668, 1.9175, 2.8506),
    60.0: (0.9464, 1.3114, 1.7538, 2.6696),
    80.0: (0.8144, 1.1747, 1.6090, 2.5082),
}
BAR_PER_GPA = 1e4


def dodecane_bar(temp_c: float = 40.0) -> Callable[[Floats | float], Floats]:
    """Return the modulus [bar] by pressure [bar], a curve through the published values."""
    return CubicSpline(PRESSURES_BAR, np.array(N_DODECANE_GPA[temp_c]) * BAR_PER_GPA)


@dataclass(frozen=True)
class Rail:
    """A rail, its pump and its leak; what is not given does not happen."""

    volume_ml: float = 30.0
    flow_ml_per_s: float = 0.9
    leak_ml_per_s_per_bar: float = 0.9 / 1050.0
    regulator_bar: float = np.inf
    """From here the regulator passes what is too much."""
    regulator_ml_per_s_per_bar: float = 0.05
    modulus_bar: Callable[[Floats | float], Floats] = field(default_factory=dodecane_bar)
    crank_from_s: float = 1.0
    crank_to_s: float = 8.0
    crank_rpm: float = 200.0
    strokes_per_engine_rev: float = 1.5
    element_flows: tuple[float, ...] = ()
    """Relative delivery of each element, half a sine over half of its stroke; empty: steady."""
    start_bar: float = 0.0

    def pump_ml_per_s(self, time_s: Floats) -> Floats:
        """Return what the pump delivers."""
        turning = (time_s >= self.crank_from_s) & (time_s < self.crank_to_s)
        if not self.element_flows:
            return np.where(turning, self.flow_ml_per_s, 0.0)
        strokes = (time_s - self.crank_from_s) * self.crank_rpm / 60 * self.strokes_per_engine_rev
        element = np.floor(strokes).astype(int) % len(self.element_flows)
        share = np.array(self.element_flows)[element]
        # Half a sine over the middle half of the stroke, whose mean over the stroke is 1.
        wave = np.pi * np.sin(np.pi * np.clip((strokes % 1 - 0.25) / 0.5, 0, 1))
        return np.where(turning, self.flow_ml_per_s * share * wave, 0.0)

    def rate_bar_per_s(self, time_s: Floats | float, rail_bar: Floats) -> Floats:
        """Return dp/dt."""
        passed = self.regulator_ml_per_s_per_bar * np.maximum(rail_bar - self.regulator_bar, 0)
        flow = self.pump_ml_per_s(np.asarray(time_s)) - self.leak_ml_per_s_per_bar * rail_bar
        return self.modulus_bar(np.maximum(rail_bar, 0)) / self.volume_ml * (flow - passed)

    def pressures_bar(self, time_s: Floats) -> Floats:
        """Return the pressure at each time, integrated phase by phase."""
        bends = [t for t in (self.crank_from_s, self.crank_to_s) if time_s[0] < t < time_s[-1]]
        edges = [float(time_s[0]), *bends, float(time_s[-1])]
        pressure, level = np.empty_like(time_s), self.start_bar
        for from_s, to_s in pairwise(edges):
            inside = (time_s >= from_s) & (time_s <= to_s)
            largest = 0.002 if self.element_flows else np.inf
            solved = solve_ivp(
                self.rate_bar_per_s,
                (from_s, to_s),
                [level],
                method="LSODA",
                t_eval=np.unique(np.append(time_s[inside], to_s)),
                rtol=1e-8,
                atol=1e-6,
                max_step=largest,
            )
            assert solved.success
            pressure[inside] = solved.y[0][: inside.sum()]
            level = float(solved.y[0][-1])
        return pressure

    def seconds_between(self, from_bar: float, to_bar: float) -> float:
        """Return how long the climb takes from one pressure to another, with a steady pump."""
        at = solve_ivp(
            lambda p, _: [1.0 / float(self.climb_bar_per_s(p))],
            (from_bar, to_bar),
            [0.0],
            rtol=1e-10,
            atol=1e-12,
        )
        return float(at.y[0][-1])

    def climb_bar_per_s(self, rail_bar: float) -> Floats:
        """Return dp/dt while a steady pump turns."""
        passed = self.regulator_ml_per_s_per_bar * max(rail_bar - self.regulator_bar, 0)
        flow = self.flow_ml_per_s - self.leak_ml_per_s_per_bar * rail_bar - passed
        return self.modulus_bar(rail_bar) / self.volume_ml * flow


def recorded(
    rail: Rail,
    kind: TraceKind = TraceKind.PROOF,
    *,
    rate_hz: float = 100.0,
    length_s: float = 9.0,
    noise: float = 0.01,
    noise_bar: float = 0.0,
    seed: int = 0,
    with_speed: bool = False,
    fuel_temp_c: float | None = None,
) -> Trace:
    """Return the trace a recorder makes of it: ``noise`` is relative, ``noise_bar`` is added."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    true_bar = rail.pressures_bar(time_s)
    read_bar = true_bar * (1 + noise * rng.standard_normal(len(time_s)))
    read_bar += noise_bar * rng.standard_normal(len(time_s))
    turning = (time_s >= rail.crank_from_s) & (time_s < rail.crank_to_s)
    return Trace.checked(
        kind,
        time_s,
        read_bar,
        crank_rpm=np.where(turning, rail.crank_rpm, 0.0) if with_speed else None,
        fuel_temp_c=None if fuel_temp_c is None else np.full(len(time_s), fuel_temp_c),
    )
