"""What a trace comes to for its test record: figures, what they add to it, and remarks.

Everything here follows from the trace, the record and its family, never from
what else has arrived: working it out again gives the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from fleetdb.records.documents import PumpFamily, TestRecord
from fleetdb.records.plausibility import Remark
from fleetdb.records.trace_readings import TraceReadings
from fleetdb.trace.figures import TraceFigures, figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.settings import TraceSettings

# How well a person reads a figure off a screen or times it by eye, as standard
# uncertainties: common practice, no source.
HAND_PROOF_SHARE = 0.015
HAND_BUILD_SHARE = 0.05
# A figure outside twice the joint uncertainty disagrees: one in twenty by chance.
_COVERAGE = 2.0
# Single strokes and noise are smoothed over so long before a pressure is timed.
_SMOOTHED_S = 0.05
_TIMED_SHARE = 0.03
_KINDS_WITH_BUILD = (TraceKind.PROOF, TraceKind.START_UP)
_STOPPED = "engine_stopped"
# A number in MPa is a tenth of that in bar: of the targets that pumps come to between half and
# twice of, such shares.
_LIKE_MPA = (0.03, 0.2)


@dataclass(frozen=True, slots=True)
class TraceFindings:
    """Figures of a trace as JSON values, by which method, what they add, and remarks."""

    method: int
    figures: dict[str, Any]
    readings: TraceReadings
    remarks: list[Remark]

    def reading_values(self) -> dict[str, Any]:
        """Return what the trace adds, by column."""
        return asdict(self.readings)


def settings_for(family: PumpFamily, inlet_valve_unplugged: bool | None) -> TraceSettings:
    """Return what the figures need to know of a family's version and of this one test."""
    return TraceSettings(
        target_bar=family.proof_target_bar,
        rail_max_bar=family.rail_max_bar,
        reference_fuel_temp_c=family.reference_fuel_temp_c,
        rail_volume_ml=family.rail_volume_ml,
        proof_duty_pct=family.proof_duty_pct,
        strokes_per_engine_rev=family.pump_strokes_per_engine_rev,
        pumping_elements=family.pumping_elements,
        inlet_valve_unplugged=inlet_valve_unplugged,
    )


def findings_of(
    trace: Trace,
    inlet_valve_unplugged: bool | None,
    record: TestRecord,
    family: PumpFamily,
) -> TraceFindings:
    """Return what a trace of ``record`` comes to.

    Raises
    ------
    InvalidInputError
        Its pressures are more than the family's rail can hold.
    """
    trace.require_within(family.rail_max_bar)
    figures = figures_of(trace, settings_for(family, inlet_valve_unplugged))
    readings = _readings(figures, inlet_valve_unplugged, family)
    remarks = [
        *_remarks_on_trace(figures, inlet_valve_unplugged, readings),
        *_remarks_on_unit(trace, family),
        *_disagreements(trace, record, readings),
    ]
    return TraceFindings(figures.method, figures.to_json(), readings, remarks)


def _readings(
    figures: TraceFigures, inlet_valve_unplugged: bool | None, family: PumpFamily
) -> TraceReadings:
    conditions = figures.conditions
    found: dict[str, Any] = {"fuel_temp_c": conditions.fuel_temp_c.value}
    plateau = figures.plateau.pressure_bar
    if figures.kind is TraceKind.PROOF:
        # In the other kinds the engine runs or stands while the plateau lasts.
        found["crank_rpm"] = conditions.crank_rpm.value
    if figures.kind is TraceKind.PROOF and plateau.value is not None:
        found |= {
            "proof_duty_pct": conditions.duty_pct.value,
            "proof_target_bar": family.proof_target_bar,
            "proof_actual_bar": max(plateau.value, 0.0),
            "proof_sd_bar": plateau.sd,
        }
    build = figures.build
    if build.rate_bar_per_s.value is not None and _is_clean(figures, inlet_valve_unplugged):
        found |= {
            "build_rate_bar_per_s": build.rate_bar_per_s.value,
            "build_sd_bar_per_s": build.rate_bar_per_s.sd,
            "build_from_bar": build.from_bar,
            "build_to_bar": build.to_bar,
        }
    leak = figures.hold.leak_ml_per_min
    found |= {"hold_leak_ml_per_min": leak.value, "hold_leak_sd_ml_per_min": leak.sd}
    shares = [share.value for share in figures.ripple.element_shares if share.value is not None]
    if shares:
        found["strokes_told_apart"] = True
        weak = figures.ripple.weak_element
        if weak is not None:
            others = float(np.mean(np.delete(shares, weak - 1)))
            found |= {
                "weak_element": weak,
                "weak_element_share": max(shares[weak - 1], 0.0) / others,
            }
    found["regulator_departure_share"] = figures.sweep.departure_share.value
    return TraceReadings(**found)


def _is_clean(figures: TraceFigures, inlet_valve_unplugged: bool | None) -> bool:
    """Return whether the climb tells of the pump alone.

    With the inlet metering valve connected the control unit counteracts. Where it was not
    said, a climb counts like one timed by hand, unless the trace itself shows that
    something stepped in.
    """
    if figures.kind not in _KINDS_WITH_BUILD or inlet_valve_unplugged is False:
        return False
    stepped_in = any(sign.code != _STOPPED for sign in figures.signs)
    return inlet_valve_unplugged is True or not stepped_in


def _remarks_on_trace(
    figures: TraceFigures, inlet_valve_unplugged: bool | None, readings: TraceReadings
) -> Iterator[Remark]:
    rest = figures.rest
    if rest.is_offset:
        yield Remark(
            "sensor_offset",
            "/rail_bar",
            f"reads {rest.pressure_bar.value:.0f} bar at rest: the sensor is off by that much",
        )
    for sign in figures.signs:
        yield Remark(sign.code, "/rail_bar", f"at {sign.at_s:.1f} s: {sign.detail}")
    plateau = figures.plateau
    if figures.kind is TraceKind.PROOF and plateau.pressure_bar.value is None:
        yield Remark("no_plateau", "/rail_bar", f"no proof pressure: {plateau.pressure_bar.reason}")
    elif figures.kind is TraceKind.PROOF and not plateau.is_level:
        yield Remark(
            "not_level", "/rail_bar", "pressure was still moving at the end: crank for longer"
        )
    rate = figures.build.rate_bar_per_s.value
    if figures.kind in _KINDS_WITH_BUILD and rate is not None:
        if inlet_valve_unplugged is False:
            yield Remark(
                "build_not_clean",
                "/inlet_valve_unplugged",
                f"the build rate of {rate:.0f} bar/s is not used: with the inlet metering valve "
                "connected the control unit counteracts",
            )
        elif inlet_valve_unplugged is None and figures.kind is TraceKind.START_UP:
            use = "is used" if readings.build_rate_bar_per_s is not None else "is not used"
            yield Remark(
                "inlet_valve_not_said",
                "/inlet_valve_unplugged",
                f"the build rate of {rate:.0f} bar/s {use}: it was not said whether the inlet "
                "metering valve was unplugged",
            )


def _remarks_on_unit(trace: Trace, family: PumpFamily) -> Iterator[Remark]:
    """Ask whether pressures were MPa: a tenth of what a pump of this family comes to.

    A remark and no refusal: a pump that builds next to nothing looks the same.
    """
    highest_bar = float(trace.rail_bar.max())
    low, high = (share * family.proof_target_bar for share in _LIKE_MPA)
    if low <= highest_bar <= high:
        yield Remark(
            "very_low_pressure",
            "/rail_bar",
            f"never reads more than {highest_bar:.0f} bar, the family's target is "
            f"{family.proof_target_bar:g}: a pump that builds next to nothing, or pressures in "
            "MPa? Then send them as rail_mpa",
        )


def _disagreements(trace: Trace, record: TestRecord, readings: TraceReadings) -> Iterator[Remark]:
    """Give a remark for each figure sent with the record that its trace contradicts."""
    proof, actual_bar, sd_bar = record.proof, readings.proof_actual_bar, readings.proof_sd_bar
    if proof is not None and actual_bar is not None and sd_bar is not None:
        joint_sd = float(np.hypot(sd_bar, HAND_PROOF_SHARE * proof.actual_bar))
        if abs(proof.actual_bar - actual_bar) > _COVERAGE * joint_sd:
            yield Remark(
                "proof_disagrees_with_trace",
                "/proof/actual_bar",
                f"{proof.actual_bar:g} bar was sent, its trace says {actual_bar:.0f} "
                f"(within {_COVERAGE * sd_bar:.2g}); the figure sent stays in force: to correct "
                "it, send a record that supersedes this one",
            )
    build = record.build
    if build is None or readings.build_rate_bar_per_s is None:
        return
    from_bar = build.from_bar if build.from_bar is not None else readings.build_from_bar
    to_bar = build.to_bar if build.to_bar is not None else readings.build_to_bar
    if from_bar is None or to_bar is None:
        return
    rate = mean_rise_bar_per_s(trace, from_bar, to_bar)
    if rate is None:
        return
    joint_sd = float(np.hypot(_TIMED_SHARE * rate, HAND_BUILD_SHARE * build.rate_bar_per_s))
    if abs(build.rate_bar_per_s - rate) > _COVERAGE * joint_sd:
        yield Remark(
            "build_disagrees_with_trace",
            "/build/rate_bar_per_s",
            f"{build.rate_bar_per_s:g} bar/s was sent, its trace says {rate:.0f} from "
            f"{from_bar:.0f} to {to_bar:.0f} bar; the figure sent stays in force: to correct "
            "it, send a record that supersedes this one",
        )


def mean_rise_bar_per_s(trace: Trace, from_bar: float, to_bar: float) -> float | None:
    """Return the mean rise between two pressures, as a record's build rate is. [bar/s]

    Pressure is smoothed over 0.05 s and first reaches each; None where it does not, or does
    within that time. It serves to compare a rate timed between other pressures than the
    figures use.
    """
    n = max(1, round(_SMOOTHED_S * trace.rate_hz))
    smooth_bar = np.convolve(trace.rail_bar, np.full(n, 1.0 / n), mode="valid")
    time_s = np.convolve(trace.time_s, np.full(n, 1.0 / n), mode="valid")
    from_s, to_s = (_reached_s(time_s, smooth_bar, level) for level in (from_bar, to_bar))
    if from_s is None or to_s is None or to_s - from_s < _SMOOTHED_S:
        return None
    return (to_bar - from_bar) / (to_s - from_s)


def _reached_s(time_s: Any, rail_bar: Any, level_bar: float) -> float | None:
    above = rail_bar >= level_bar
    at = int(np.argmax(above))
    if at == 0:
        return None
    share = (level_bar - rail_bar[at - 1]) / (rail_bar[at] - rail_bar[at - 1])
    return float(time_s[at - 1] + share * (time_s[at] - time_s[at - 1]))
