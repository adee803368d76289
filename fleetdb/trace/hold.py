"""The decay of a closed rail, and the leak it stands for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.fuel_stiffness import FuelStiffness
from fleetdb.trace.bends import level_then_line
from fleetdb.trace.figure import Figure, Window
from fleetdb.trace.phases import Phases, means_over
from fleetdb.trace.robust import least_squares, robust_fit
from fleetdb.trace.settings import TraceSettings
from fleetdb.units import SECONDS_PER_MINUTE

Floats = NDArray[np.float64]

# The decay is read from its beginning down to this share of it: further down, residual
# pressure and closing valves bend it.
_DOWN_TO_SHARE = 0.3
_LOWEST_BAR = 40.0
_MOST_POINTS = 800
_FEWEST_BLOCKS = 10
_TOP_SHARE = 0.97
# Below this the pump delivers nothing that counts (common practice, no source).
STANDING_RPM = 20.0
_RUN_OUT_S = 0.1
_GAUSS_NEWTON_ROUNDS = 8
_CURVE_POINTS = 40
# Where the fuel's temperature was not recorded: the spread of it in workshops; and where it
# was, the sensor's own error (common practice, no source).
_UNKNOWN_TEMP_SD_C = 12.0
_KNOWN_TEMP_SD_C = 1.0


@dataclass(frozen=True)
class HoldFigures:
    """Decay of the pressure with the pump standing and the rail closed.

    The rail's balance without a pump is dp/dt = -(K(p, T) / V) G p, with G the leak per
    pressure. So z(p), the integral of dp / (p K(p, T)), falls as a straight line in time,
    whose slope is G / V: the line is fitted by least squares of the pressures themselves
    (Gauss-Newton), from where the decay begins to 30 % of that pressure.

    ``decay_bar_per_s`` is how fast the fitted pressure falls at ``at_bar``: the proof target,
    or the nearest pressure the decay went through. ``half_life_s`` is the time the pressure
    takes from ``at_bar`` to its half at that rate over pressure. Their uncertainty holds what a
    fuel stiffer by its own standard deviation would change. ``leak_ml_per_min`` is
    G times the target, brought from the fuel's temperature in the trace to the reference by
    the ratio of viscosities: what leaks out of the rail at the proof target and reference
    temperature, as volume at the rail's pressure. Its uncertainty holds that of the fuel's
    stiffness, not that of the rail's volume.
    """

    decay_bar_per_s: Figure
    at_bar: float | None
    half_life_s: Figure
    leak_ml_per_min: Figure
    window: Window | None

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "decay_bar_per_s": self.decay_bar_per_s.to_json(),
            "at_bar": self.at_bar,
            "half_life_s": self.half_life_s.to_json(),
            "leak_ml_per_min": self.leak_ml_per_min.to_json(),
            "window": self.window and self.window.to_json(),
        }


def no_hold(reason: str) -> HoldFigures:
    """Return the figures of a trace that is no hold."""
    return HoldFigures(
        Figure.none("bar/s", reason),
        None,
        Figure.none("s", reason),
        Figure.none("mL/min", reason),
        None,
    )


def hold_figures(phases: Phases, settings: TraceSettings) -> HoldFigures:
    """Return the decay of a trace of kind hold, and the leak it implies."""
    window = _window(phases, settings)
    if isinstance(window, str):
        return no_hold(window)
    trace = phases.trace
    samples = phases.samples_in(window)
    size = max(1, (samples.stop - samples.start) // _MOST_POINTS)
    time_s = means_over(trace.time_s[samples], size)
    rail_bar = means_over(trace.rail_bar[samples], size)
    temp_c, sd_temp_c = _fuel_temp_c(trace.fuel_temp_c, samples, settings.reference_fuel_temp_c)
    decay = _Decay.of(settings.stiffness, temp_c, float(rail_bar.min()), float(rail_bar.max()))
    start, rate, sd_rate = decay.fit(time_s - time_s[0], rail_bar)
    rate = max(rate, 0.0)
    first_bar = float(decay.pressure_bar(np.array([start]))[0])
    last_bar = float(decay.pressure_bar(np.array([start - rate * window.length_s]))[0])
    at_bar = float(np.clip(settings.target_bar, last_bar, first_bar))
    per_rate = at_bar * float(decay.relative_modulus(np.array([at_bar]))[0])
    along_s = np.linspace(0.0, window.length_s, _CURVE_POINTS)
    fitted_bar = decay.pressure_bar(start - rate * along_s)
    moved = _moved_by_stiffness(
        settings.stiffness, temp_c, along_s, fitted_bar, at_bar, rate * per_rate
    )
    sd_decay = float(np.hypot(sd_rate * per_rate, moved))
    return HoldFigures(
        Figure.of(rate * per_rate, sd_decay, "bar/s"),
        at_bar,
        _half_life(at_bar, rate * per_rate, sd_decay),
        _leak(settings, rate, sd_rate, decay.reference_bar, temp_c, sd_temp_c),
        window,
    )


@dataclass(frozen=True)
class _Decay:
    """The table of K0 z(p) for one fuel and temperature: ln p, bent by the fuel's stiffness.

    ``reference_bar`` is K0, the modulus at the highest pressure. In time it falls at a rate
    of K0 G / V [1/s].
    """

    ln_bar: Floats
    bent: Floats
    modulus_bar: Floats
    reference_bar: float

    @classmethod
    def of(cls, stiffness: FuelStiffness, temp_c: float, low_bar: float, high_bar: float) -> _Decay:
        ln_bar = np.linspace(np.log(max(low_bar, 1.0) / 2), np.log(max(high_bar, 2.0) * 1.5), 400)
        modulus_bar = stiffness.bulk_modulus_bar(np.exp(ln_bar), temp_c)
        reference_bar = float(stiffness.bulk_modulus_bar(high_bar, temp_c))
        slope = reference_bar / modulus_bar
        steps = 0.5 * (slope[1:] + slope[:-1]) * np.diff(ln_bar)
        return cls(ln_bar, np.concatenate([[0.0], np.cumsum(steps)]), modulus_bar, reference_bar)

    def relative_modulus(self, rail_bar: Floats) -> Floats:
        return np.interp(np.log(rail_bar), self.ln_bar, self.modulus_bar) / self.reference_bar

    def bent_of(self, rail_bar: Floats) -> Floats:
        return np.interp(np.log(np.maximum(rail_bar, 1.0)), self.ln_bar, self.bent)

    def pressure_bar(self, bent: Floats) -> Floats:
        return np.exp(np.interp(bent, self.bent, self.ln_bar))

    def fit(self, time_s: Floats, rail_bar: Floats) -> tuple[float, float, float]:
        """Return start, rate [1/s] and the rate's uncertainty of the straight line in time."""
        straight = np.column_stack([np.ones_like(time_s), -time_s])
        line, _ = least_squares(straight, self.bent_of(rail_bar))
        covariance = np.zeros((2, 2))
        for _ in range(_GAUSS_NEWTON_ROUNDS):
            fitted_bar = self.pressure_bar(line[0] - line[1] * time_s)
            per_bent = fitted_bar * self.relative_modulus(fitted_bar)
            design = np.column_stack([per_bent, -per_bent * time_s])
            step = robust_fit(design, rail_bar - fitted_bar)
            line, covariance = line + step.coefficients, step.covariance
            if np.all(np.abs(step.coefficients) <= 1e-9 * (np.abs(line) + 1e-9)):
                break
        return float(line[0]), float(line[1]), float(np.sqrt(covariance[1, 1]))


def _moved_by_stiffness(
    stiffness: FuelStiffness,
    temp_c: float,
    time_s: Floats,
    rail_bar: Floats,
    at_bar: float,
    decay_bar_per_s: float,
) -> float:
    """Return by how much a fuel stiffer by one standard deviation moves the decay. [bar/s]

    How stiff it is does not matter to the decay, but how that changes on the way down does.
    ``rail_bar`` is the fitted curve: without noise, few points will do.
    """
    if stiffness.relative_sd == 0.0:
        return 0.0
    low_bar, high_bar = float(rail_bar.min()), float(rail_bar.max())
    stiffer = replace(stiffness, k0=stiffness.k0 * (1.0 + stiffness.relative_sd))
    decay = _Decay.of(stiffer, temp_c, low_bar, high_bar)
    # Weighted as pressures are; of a smooth curve so near the line no second round is needed.
    weights = (rail_bar * decay.relative_modulus(rail_bar)) ** 2
    straight = np.column_stack([np.ones_like(time_s), -time_s])
    line, _ = least_squares(straight, decay.bent_of(rail_bar), weights)
    per_rate = at_bar * float(decay.relative_modulus(np.array([at_bar]))[0])
    return abs(float(line[1]) * per_rate - decay_bar_per_s)


def _half_life(at_bar: float, decay: float, sd_decay: float) -> Figure:
    if decay <= 2.0 * sd_decay:
        return Figure.none("s", "the pressure did not fall measurably")
    half_life_s = float(np.log(2.0)) * at_bar / decay
    return Figure.of(half_life_s, half_life_s * sd_decay / decay, "s")


def _leak(
    settings: TraceSettings,
    rate: float,
    sd_rate: float,
    reference_bar: float,
    temp_c: float,
    sd_temp_c: float,
) -> Figure:
    if settings.rail_volume_ml is None:
        return Figure.none("mL/min", "the family does not say rail_volume_ml")
    # G = rate V / K0; the leak at the target is G times it, and goes as one over viscosity.
    per_rate = settings.rail_volume_ml / reference_bar * settings.target_bar * SECONDS_PER_MINUTE
    ln_viscosity = float(
        settings.viscosity.ln_viscosity_ratio(temp_c, settings.reference_fuel_temp_c)
    )
    warmer = float(settings.viscosity.ln_viscosity_ratio(temp_c + 1.0, temp_c))
    leak = rate * per_rate * float(np.exp(ln_viscosity))
    sd_by_fit = sd_rate * per_rate * float(np.exp(ln_viscosity))
    sd_share = float(np.hypot(settings.stiffness.relative_sd, warmer * sd_temp_c))
    return Figure.of(leak, float(np.hypot(sd_by_fit, leak * sd_share)), "mL/min")


def _fuel_temp_c(fuel_temp_c: Floats | None, samples: slice, usual_c: float) -> tuple[float, float]:
    if fuel_temp_c is None:
        return usual_c, _UNKNOWN_TEMP_SD_C
    return float(np.median(fuel_temp_c[samples])), _KNOWN_TEMP_SD_C


def _window(phases: Phases, settings: TraceSettings) -> Window | str:
    """Return the stretch of the decay, or why there is none."""
    blocks = phases.blocks
    begun = _begun(phases, settings)
    if begun is None:
        return "the pump did not stand still within the trace"
    start_bar = float(np.median(blocks.rail_bar[begun : begun + 3]))
    if start_bar < _LOWEST_BAR:
        return f"the rail held only {start_bar:.0f} bar when the pump stood still"
    rail_bar = blocks.rail_bar[begun:]
    low = rail_bar < max(_DOWN_TO_SHARE * start_bar, _LOWEST_BAR)
    end = begun + (int(np.argmax(low)) if low.any() else len(rail_bar))
    end = min(end, begun + _let_off(blocks.rail_bar[begun:end]))
    if end - begun < _FEWEST_BLOCKS:
        return "the pressure was gone before a decay could be followed"
    return Window(float(blocks.time_s[begun]), float(blocks.time_s[end - 1]))


def _let_off(rail_bar: Floats) -> int:
    """Return the block at which someone let the pressure off: far faster than the decay."""
    ln_steps = -np.diff(np.log(np.maximum(rail_bar, 1.0)))
    sudden = (ln_steps > 0.1) & (ln_steps > 10.0 * np.median(np.abs(ln_steps)))
    return int(np.argmax(sudden)) if sudden.any() else len(rail_bar)


def _begun(phases: Phases, settings: TraceSettings) -> int | None:
    """Return the block in which the decay begins: the pump stands, nothing flows in."""
    blocks, crank_rpm = phases.blocks, phases.trace.crank_rpm
    if crank_rpm is not None:
        turned = np.flatnonzero(crank_rpm > STANDING_RPM)
        if len(turned) == 0:
            return _from_the_bend(phases, settings)
        stood_s = float(phases.trace.time_s[turned[-1]]) + _RUN_OUT_S
        after = int(np.searchsorted(blocks.time_s, stood_s))
        return after if after <= len(blocks.time_s) - _FEWEST_BLOCKS else None
    return _from_the_bend(phases, settings)


def _from_the_bend(phases: Phases, settings: TraceSettings) -> int | None:
    """Return where a level stretch bends into a decay, by z(p).

    The decay is a straight line of z(p); before it pressure was held.
    """
    top = int(np.argmax(phases.blocks.rail_bar >= _TOP_SHARE * phases.blocks.rail_bar.max()))
    rail_bar = phases.blocks.rail_bar[top:]
    n = len(rail_bar)
    if n < _FEWEST_BLOCKS:
        return None
    decay = _Decay.of(
        settings.stiffness,
        settings.reference_fuel_temp_c,
        float(rail_bar.min()),
        float(rail_bar.max()),
    )
    low = np.flatnonzero(rail_bar < _DOWN_TO_SHARE * rail_bar.max())
    n = max(int(low[0]) if len(low) else n, _FEWEST_BLOCKS)
    n_level, _ = level_then_line(decay.bent_of(rail_bar[:n]), _FEWEST_BLOCKS)
    return top + n_level
