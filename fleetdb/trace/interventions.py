"""Signs that the control unit stepped in, or that the engine was shut down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.phases import HELD_S, Blocks, Phases
from fleetdb.trace.robust import least_squares, noise_sd, times
from fleetdb.trace.settings import TraceSettings

Floats = NDArray[np.float64]

# Below this an engine cranks, above it it runs; below the second it stands (common
# practice, no source).
_RUNNING_RPM, _STOPPED_RPM = 450.0, 50.0
# Pushing an idling engine's rail to about this against the control unit's map makes it shut
# the engine down; a running engine begins to struggle near the other (common practice, no
# source).
_SHUT_DOWN_BAR, _STRUGGLING_BAR = 500.0, 250.0
_STRUGGLING_S = 0.5
# From the fuel being cut until the engine stands.
_RUN_DOWN_S = 2.0
# Pressure that is lost faster than any leak: so much of it, within so long.
_COLLAPSE_SHARE, _COLLAPSE_S = 0.5, 0.4
_COLLAPSE_FROM_BAR = 100.0
# A level that steps by so much with nothing else changed was moved by somebody.
_STEP_SHARE, _STEP_SDS = 0.08, 8.0
_DUTY_MOVED_PCT = 2.0
# Swings slower than strokes and faster than settling.
_SWING_HZ = (0.4, 3.0)
_SWING_SHARE = 0.02
_SWING_OF_ALL = 0.5
_FEWEST_SWINGS = 3.0


@dataclass(frozen=True)
class Sign:
    """Something that happened in a trace: a short ``code``, when, and a sentence."""

    code: str
    at_s: float
    detail: str

    def to_json(self) -> dict[str, Any]:
        """Return the sign as plain JSON."""
        return {"code": self.code, "at_s": self.at_s, "detail": self.detail}


def signs_of_intervention(phases: Phases, settings: TraceSettings) -> tuple[Sign, ...]:
    """Return the signs that something other than pump, leak and regulator set the pressure.

    In order of time. Codes: ``engine_stopped``, ``shut_down_by_pressure``, ``struggling``,
    ``pressure_collapsed``, ``level_stepped``, ``hunting``.
    """
    trace, blocks = phases.trace, phases.blocks
    signs: list[Sign] = []
    stopped_s = _engine_stopped_s(trace)
    if stopped_s is not None and trace.kind is not TraceKind.HOLD:
        signs.append(_stop(trace, blocks, stopped_s))
    struggling = _struggling(trace, blocks)
    if struggling is not None:
        signs.append(struggling)
    if trace.kind in (TraceKind.PROOF, TraceKind.START_UP):
        collapse = _collapse(phases, stopped_s)
        stepped = _stepped(phases, settings) if collapse is None else None
        hunting = _hunting(phases)
        signs += [sign for sign in (collapse, stepped, hunting) if sign is not None]
    return tuple(sorted(signs, key=lambda sign: sign.at_s))


def _engine_stopped_s(trace: Trace) -> float | None:
    """Return when a running engine came to stand, None if it did not."""
    if trace.crank_rpm is None:
        return None
    running = np.flatnonzero(trace.crank_rpm >= _RUNNING_RPM)
    if len(running) == 0:
        return None
    stopped = np.flatnonzero(trace.crank_rpm[running[-1] :] < _STOPPED_RPM)
    return float(trace.time_s[running[-1] + stopped[0]]) if len(stopped) else None


def _stop(trace: Trace, blocks: Blocks, stopped_s: float) -> Sign:
    before = (blocks.time_s < stopped_s) & (blocks.time_s > stopped_s - _RUN_DOWN_S)
    highest = float(blocks.rail_bar[before].max()) if before.any() else 0.0
    if highest >= _SHUT_DOWN_BAR:
        return Sign(
            "shut_down_by_pressure",
            stopped_s,
            f"the engine stopped after the rail had been at {highest:.0f} bar: the control unit "
            "may have shut it down for pressure against its map",
        )
    return Sign("engine_stopped", stopped_s, f"the running engine stopped (rail {highest:.0f} bar)")


def _struggling(trace: Trace, blocks: Blocks) -> Sign | None:
    if trace.crank_rpm is None:
        return None
    rpm = np.interp(blocks.time_s, trace.time_s, trace.crank_rpm)
    low = (rpm >= _RUNNING_RPM) & (blocks.rail_bar < _STRUGGLING_BAR)
    start = _first_run(low, max(1, round(_STRUGGLING_S / blocks.step_s)))
    if start is None:
        return None
    lowest = float(blocks.rail_bar[low].min())
    return Sign(
        "struggling",
        float(blocks.time_s[start]),
        f"the engine ran with only {lowest:.0f} bar in the rail: near {_STRUGGLING_BAR:.0f} it "
        "begins to struggle",
    )


def _collapse(phases: Phases, stopped_s: float | None) -> Sign | None:
    """Return where most of the pressure was lost at once while the engine still turned."""
    blocks, trace = phases.blocks, phases.trace
    reach = max(1, round(_COLLAPSE_S / blocks.step_s))
    if len(blocks.rail_bar) <= reach:
        return None
    before, after = blocks.rail_bar[:-reach], blocks.rail_bar[reach:]
    lost = (after < (1 - _COLLAPSE_SHARE) * before) & (before > _COLLAPSE_FROM_BAR)
    if trace.crank_rpm is not None:
        rpm = np.interp(blocks.time_s[reach:], trace.time_s, trace.crank_rpm)
        lost &= rpm > _STOPPED_RPM
    if not lost.any():
        return None
    at = int(np.argmax(lost))
    at_s = float(blocks.time_s[at])
    if stopped_s is not None and at_s > stopped_s - _RUN_DOWN_S:
        return None
    # At the end of cranking the regulator may open: without the speed that cannot be told
    # from an intervention, so that only a collapse with pressure or time after it counts.
    if trace.crank_rpm is None and not _builds_again(blocks.rail_bar[at + reach :], before[at]):
        return None
    return Sign(
        "pressure_collapsed",
        at_s,
        f"pressure fell from {before[at]:.0f} to {after[at]:.0f} bar within {_COLLAPSE_S:g} s "
        "while the engine turned: the regulator was opened, by the control unit or by hand",
    )


def _builds_again(rail_bar: Floats, level_bar: float) -> bool:
    return len(rail_bar) > 0 and float(rail_bar.max()) > 0.7 * level_bar


def _stepped(phases: Phases, settings: TraceSettings) -> Sign | None:
    """Return where the level moved for good while duty and speed stayed."""
    first, end = phases.level_stretch
    blocks, trace = phases.blocks, phases.trace
    level = blocks.rail_bar[first:end]
    # What follows the highest level held: a lower one, held as long.
    after = slice(end, min(end + 4 * len(level), len(blocks.rail_bar)))
    follows = blocks.rail_bar[after]
    n_held = max(3, round(HELD_S / blocks.step_s))
    # The stretch ends some blocks before the step, since it is found in smoothed pressures.
    held = follows[n_held : 2 * n_held]
    if len(held) < n_held or len(level) < 3:
        return None
    lower, was = float(np.median(held)), float(np.median(level))
    scatter = max(noise_sd(level), 1e-9)
    moved = was - lower > max(_STEP_SHARE * was, _STEP_SDS * scatter)
    is_level = float(np.ptp(held)) < 0.5 * (was - lower) and lower > _COLLAPSE_FROM_BAR
    if not (moved and is_level) or _conditions_moved(trace, blocks, end, n_held):
        return None
    cause = (
        "the inlet metering valve was connected, so the control unit may have counteracted"
        if settings.inlet_valve_unplugged is False
        else "the control unit may have counteracted (was the inlet metering valve unplugged?)"
        if settings.inlet_valve_unplugged is None
        else "with the inlet metering valve unplugged only the regulator or a leak can do that"
    )
    return Sign(
        "level_stepped",
        float(blocks.time_s[end]),
        f"pressure stepped from {was:.0f} to {lower:.0f} bar and stayed: {cause}",
    )


def _conditions_moved(trace: Trace, blocks: Blocks, at: int, reach: int) -> bool:
    """Return whether duty or speed changed about a block."""
    low_s = float(blocks.time_s[max(at - reach, 0)])
    high_s = float(blocks.time_s[min(at + reach, len(blocks.time_s) - 1)])
    before = (trace.time_s >= low_s) & (trace.time_s < blocks.time_s[at])
    after = (trace.time_s >= blocks.time_s[at]) & (trace.time_s <= high_s)
    for values, least in ((trace.duty_pct, _DUTY_MOVED_PCT), (trace.crank_rpm, None)):
        if values is None or not before.any() or not after.any():
            continue
        was, then = float(np.median(values[before])), float(np.median(values[after]))
        if abs(then - was) > (least if least is not None else 0.1 * max(was, 1.0)):
            return True
    return False


def _hunting(phases: Phases) -> Sign | None:
    """Return whether the level swings slowly, as a loop does that fights another."""
    first, end = phases.level_stretch
    blocks = phases.blocks
    rail_bar, step_s = blocks.rail_bar[first:end], blocks.step_s
    n = len(rail_bar)
    if n * step_s < _FEWEST_SWINGS / _SWING_HZ[0] or n < 16:
        return None
    x = np.linspace(-1.0, 1.0, n)
    drift = np.vander(x, 3)
    level = rail_bar - times(drift, least_squares(drift, rail_bar)[0])
    power = np.abs(np.fft.rfft(level * np.hanning(n))) ** 2
    hz = np.fft.rfftfreq(n, step_s)
    slow = (hz >= _SWING_HZ[0]) & (hz <= _SWING_HZ[1])
    if not slow.any() or power[1:].sum() <= 0:
        return None
    peak = int(np.flatnonzero(slow)[np.argmax(power[slow])])
    near = slice(max(peak - 2, 1), peak + 3)
    share = float(power[near].sum() / power[1:].sum())
    # A sine of amplitude a in a Hann window has the power (a n / 4)^2 at its peak, 1.5 in all.
    amplitude = float(np.sqrt(power[near].sum() / 1.5)) * 4.0 / n
    level_bar = float(np.median(rail_bar))
    if share < _SWING_OF_ALL or amplitude < _SWING_SHARE * level_bar:
        return None
    return Sign(
        "hunting",
        float(blocks.time_s[first]),
        f"pressure swings by {amplitude:.0f} bar about {level_bar:.0f} at {hz[peak]:.1f} Hz: "
        "the control unit, or a sticking regulator",
    )


def _first_run(flags: NDArray[np.bool_], length: int) -> int | None:
    """Return the first index of ``length`` flags in a row, None if there is none."""
    if len(flags) < length:
        return None
    counts = np.convolve(flags.astype(np.int64), np.ones(length, dtype=np.int64), "valid")
    full = np.flatnonzero(counts == length)
    return int(full[0]) if len(full) else None
