"""What the fleet's other documents say of a new one: impossible, or merely odd.

Impossible is refused (a ``Problem``); odd is accepted with a ``Remark``. Both depend
only on the document, the vehicle and the family, never on which other records have
arrived: an interrupted load must end equal to an uninterrupted one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from fleetdb.errors import Problem
from fleetdb.records.documents import (
    Finding,
    Fitment,
    KitCalibration,
    PumpFamily,
    TestRecord,
    Vehicle,
)
from fleetdb.records.flow_limits import fastest_build_bar_per_s, most_leak_ml_per_min
from fleetdb.records.vin import vin_oddity
from fleetdb.units import BAR_PER_MPA, SECONDS_PER_MINUTE, bar_from_psi, celsius_from_fahrenheit

CLOCK_SLACK = timedelta(minutes=5)
# A date has no zone: the day may have begun up to a day earlier or later in UTC.
DATE_SLACK = timedelta(days=1)
# No common-rail vehicle is older; earlier dates are slips of the pen.
EARLIEST = date(1980, 1, 1)
FURTHEST_IN_SERVICE_AHEAD = timedelta(days=730)
TARGET_TOLERANCE = 0.01
LOW_CRANK_FRACTION = 0.6
DUTY_TOLERANCE_PCT = 2.0
# A 12 V system never reads this much while cranking, so a 24 V one is meant.
HIGHEST_12_V_SYSTEM_V = 15.0
NO_READING_YET = "no_reading_yet"
LOWEST_BATTERY_V = {12: 10.0, 24: 20.0}
# Fuel on its way to a pump at a test is not: common practice, no source.
HOTTEST_FUEL_C = 90.0
# Worn injectors return two or three times their limit: common practice, no source.
ODD_LEAK_OVER_LIMIT = 5.0
LIKE_MPA = (0.03, 0.115)
"""Of the target, what a proof in MPa written as bar comes to: a tenth of what pumps do, of those
cranked too short as well."""
# The regulator may be held otherwise while pressure builds, but hardly to more than this.
ODD_BUILD_OVER_PROOF = 1.1


@dataclass(frozen=True, slots=True)
class Remark:
    """Something odd, but possible, of one field: a short ``code`` and a sentence."""

    code: str
    pointer: str
    detail: str


Findings = tuple[list[Problem], list[Remark]]


def family_in_force(versions: Iterable[PumpFamily], on: date) -> PumpFamily | None:
    """Return the version of a family that holds on a date.

    The first version holds for all earlier dates too.
    """
    ordered = sorted(versions, key=lambda version: version.applies_from or date.min)
    in_force = ordered[:1]
    in_force += [v for v in ordered[1:] if v.applies_from is not None and v.applies_from <= on]
    return in_force[-1] if in_force else None


def unknown_vehicle(vehicle: str) -> Problem:
    """Return the problem of a document that names a vehicle which the fleet has not."""
    return Problem("/vehicle", f"there is no vehicle {vehicle!r} in this fleet yet")


def check_vehicle(document: Vehicle, family_is_known: bool, now: datetime) -> Findings:
    """Check a vehicle: its family must be known; an odd VIN is remarked on."""
    problems: list[Problem] = []
    if not family_is_known:
        problems.append(
            Problem("/pump_family", f"there is no pump family {document.pump_family!r} yet")
        )
    if document.in_service_on < EARLIEST:
        problems.append(Problem("/in_service_on", f"is before {EARLIEST}"))
    if document.in_service_on > now.date() + FURTHEST_IN_SERVICE_AHEAD:
        problems.append(Problem("/in_service_on", "is more than two years ahead"))
    remarks: list[Remark] = []
    oddity = vin_oddity(document.vin) if document.vin is not None else None
    if oddity is not None:
        remarks.append(Remark("odd_vin", "/vin", oddity))
    return problems, remarks


def check_kit_calibration(document: KitCalibration, now: datetime) -> Findings:
    """Check that a calibration is neither in the future nor absurdly old."""
    problems = list(_future("/calibrated_at", document.calibrated_at, now))
    if document.calibrated_at.date() < EARLIEST:
        problems.append(Problem("/calibrated_at", f"is before {EARLIEST}"))
    return problems, []


def check_fitment(
    document: Fitment, vehicle: Vehicle | None, family: PumpFamily | None, now: datetime
) -> Findings:
    """Check a fitment against its vehicle and the family's number of cylinders."""
    if vehicle is None:
        return [unknown_vehicle(document.vehicle)], []
    problems = list(_time("/fitted_at", document.fitted_at, vehicle, now))
    if document.cylinder is not None and family is not None:
        problems += _cylinder("/cylinder", document.cylinder, family)
    return problems, []


def check_finding(document: Finding, vehicle: Vehicle | None, now: datetime) -> Findings:
    """Check a finding against its vehicle."""
    if vehicle is None:
        return [unknown_vehicle(document.vehicle)], []
    return list(_time("/found_at", document.found_at, vehicle, now)), []


def check_test_record(
    document: TestRecord, vehicle: Vehicle | None, family: PumpFamily | None, now: datetime
) -> Findings:
    """Check a test record against its vehicle and the family version in force at its time.

    Whether the superseded record exists is for the store to say.
    """
    if vehicle is None:
        return [unknown_vehicle(document.vehicle)], []
    problems = list(_time("/performed_at", document.performed_at, vehicle, now))
    if family is None:
        return problems, list(_remarks_without_family(document))
    problems += _pressures(document, family)
    problems += _target(document, family)
    problems += _flows(document, family)
    if document.leak is not None:
        for index, entry in enumerate(document.leak.cylinders):
            problems += _cylinder(f"/leak/cylinders/{index}/cylinder", entry.cylinder, family)
    remarks = [
        *_remarks_without_family(document),
        *_remarks_on_conditions(document, family),
        *_remarks_on_unit(document),
        *_remarks_on_flows(document, family),
    ]
    return problems, remarks


def _future(pointer: str, moment: datetime, now: datetime) -> Iterable[Problem]:
    if moment > now + CLOCK_SLACK:
        yield Problem(pointer, f"{moment:%Y-%m-%dT%H:%M:%SZ} is in the future")


def _time(pointer: str, moment: datetime, vehicle: Vehicle, now: datetime) -> Iterable[Problem]:
    yield from _future(pointer, moment, now)
    if moment.date() + DATE_SLACK < vehicle.in_service_on:
        yield Problem(
            pointer,
            f"{moment:%Y-%m-%d} is before vehicle {vehicle.vehicle} went into service "
            f"on {vehicle.in_service_on}",
        )


def _cylinder(pointer: str, cylinder: int, family: PumpFamily) -> Iterable[Problem]:
    if cylinder > family.cylinders:
        yield Problem(
            pointer,
            f"cylinder {cylinder} does not exist: {family.pump_family} has {family.cylinders}",
        )


def _pressures(document: TestRecord, family: PumpFamily) -> Iterable[Problem]:
    proof, build, leak = document.proof, document.build, document.leak
    pressures = (
        ("/proof/actual_bar", proof and proof.actual_bar),
        ("/build/from_bar", build and build.from_bar),
        ("/build/to_bar", build and build.to_bar),
        ("/leak/rail_bar", leak and leak.rail_bar),
    )
    for pointer, pressure_bar in pressures:
        if pressure_bar is not None and pressure_bar > family.rail_max_bar:
            name = pointer.rsplit("/", 1)[1]
            was_psi = bar_from_psi(pressure_bar) <= family.rail_max_bar
            yield Problem(
                pointer,
                f"{name} {pressure_bar:g} is above {family.pump_family}'s "
                f"{family.rail_max_bar:g} bar rail limit" + (": was this psi?" if was_psi else ""),
            )


def _target(document: TestRecord, family: PumpFamily) -> Iterable[Problem]:
    if document.proof is None:
        return
    target_bar, expected_bar = document.proof.target_bar, family.proof_target_bar
    if abs(target_bar - expected_bar) > TARGET_TOLERANCE * expected_bar:
        hint = ""
        for unit, in_bar in (("psi", bar_from_psi(target_bar)), ("MPa", BAR_PER_MPA * target_bar)):
            if abs(in_bar - expected_bar) <= TARGET_TOLERANCE * expected_bar:
                hint = f": was this {unit}?"
        yield Problem(
            "/proof/target_bar",
            f"target_bar {target_bar:g} differs from {family.pump_family}'s {expected_bar:g}{hint}",
        )


def _flows(document: TestRecord, family: PumpFamily) -> Iterable[Problem]:
    build, leak = document.build, document.leak
    if build is not None:
        ceiling = fastest_build_bar_per_s(family, _crank_rpm(document))
        rate = build.rate_bar_per_s
        if ceiling.excludes(rate):
            was_psi = not ceiling.excludes(bar_from_psi(rate))
            yield Problem(
                "/build/rate_bar_per_s",
                f"rate_bar_per_s {rate:g} is impossible: {family.pump_family} builds at most "
                f"{ceiling.value:.0f} bar/s ({ceiling.because})"
                + (": was this psi per second?" if was_psi else ""),
            )
    if leak is not None:
        ceiling = most_leak_ml_per_min(family)
        minutes = leak.duration_s / SECONDS_PER_MINUTE
        allowed = (
            f"{family.pump_family}'s pump delivers at most {ceiling.value:.0f} ml/min "
            f"({ceiling.because}): check ml and duration_s"
        )
        alone = [i for i, e in enumerate(leak.cylinders) if ceiling.excludes(e.ml / minutes)]
        for index in alone:
            ml = leak.cylinders[index].ml
            yield Problem(
                f"/leak/cylinders/{index}/ml",
                f"{ml:g} ml in {leak.duration_s:g} s is impossible: {allowed}",
            )
        total_ml = sum(entry.ml for entry in leak.cylinders)
        if not alone and ceiling.excludes(total_ml / minutes):
            yield Problem(
                "/leak/cylinders",
                f"{total_ml:g} ml of all cylinders in {leak.duration_s:g} s is impossible: "
                f"{allowed}",
            )


def _crank_rpm(document: TestRecord) -> float | None:
    return document.conditions.crank_rpm if document.conditions is not None else None


def _remarks_on_flows(document: TestRecord, family: PumpFamily) -> Iterable[Remark]:
    proof, build, leak = document.proof, document.build, document.leak
    if build is not None:
        ceiling = fastest_build_bar_per_s(family, _crank_rpm(document))
        if ceiling.is_passed_by(build.rate_bar_per_s):
            yield Remark(
                "high_build_rate",
                "/build/rate_bar_per_s",
                f"{build.rate_bar_per_s:g} bar/s is faster than even a loss-free pump: about "
                f"{ceiling.value:.0f} bar/s ({ceiling.because})",
            )
        if build.rate_bar_per_s == 0 and build.to_bar is not None:
            yield Remark(
                "no_build",
                "/build/to_bar",
                f"a rate of 0 says that pressure never rose to {build.to_bar:g} bar",
            )
        elif (
            proof is not None
            and build.to_bar is not None
            and build.to_bar > ODD_BUILD_OVER_PROOF * proof.actual_bar
        ):
            yield Remark(
                "build_above_proof",
                "/build/to_bar",
                f"pressure was timed up to {build.to_bar:g} bar, but the proof reached only "
                f"{proof.actual_bar:g}",
            )
    limit_ml_per_min = family.leak_limit_ml_per_min
    if leak is not None and limit_ml_per_min is not None:
        minutes = leak.duration_s / SECONDS_PER_MINUTE
        leak_ml_per_min = sum(entry.ml for entry in leak.cylinders) / minutes
        if leak_ml_per_min > ODD_LEAK_OVER_LIMIT * limit_ml_per_min:
            yield Remark(
                "high_leak",
                "/leak/cylinders",
                f"{leak_ml_per_min:.0f} ml/min is many times {family.pump_family}'s limit of "
                f"{limit_ml_per_min:g}: check ml and duration_s",
            )


def _remarks_without_family(document: TestRecord) -> Iterable[Remark]:
    if document.kit is None:
        yield Remark("no_kit", "/kit", "no kit named: its gauge cannot be compared with others")
    conditions = document.conditions
    if not document.has_reading:
        yield Remark(
            NO_READING_YET,
            "/traces_follow",
            "no reading yet: it says something of the pump once its traces are there",
        )
    needs_temperature = (
        document.proof is not None or document.build is not None or document.traces_follow
    )
    if needs_temperature and (conditions is None or conditions.fuel_temp_c is None):
        yield Remark(
            "no_fuel_temperature",
            "/conditions/fuel_temp_c",
            "no fuel temperature: the result is less certain, since warm fuel leaks more",
        )
    fuel_temp_c = conditions and conditions.fuel_temp_c
    if fuel_temp_c is not None and fuel_temp_c > HOTTEST_FUEL_C:
        yield Remark(
            "very_hot_fuel",
            "/conditions/fuel_temp_c",
            f"{fuel_temp_c:g} °C is hotter than fuel gets before a pump: is it in °F? Then it is "
            f"{celsius_from_fahrenheit(fuel_temp_c):.0f} °C: send a record that supersedes this "
            "one",
        )
    battery_v = conditions and conditions.battery_v
    if battery_v is not None:
        system_v = 24 if battery_v > HIGHEST_12_V_SYSTEM_V else 12
        if battery_v < LOWEST_BATTERY_V[system_v]:
            yield Remark(
                "low_battery",
                "/conditions/battery_v",
                f"{battery_v:g} V is low for a {system_v} V system while cranking",
            )


def _remarks_on_unit(document: TestRecord) -> Iterable[Remark]:
    if document.proof is None:
        return
    actual_bar, target_bar = document.proof.actual_bar, document.proof.target_bar
    low, high = (share * target_bar for share in LIKE_MPA)
    if low < actual_bar < high:
        yield Remark(
            "very_low_pressure",
            "/proof/actual_bar",
            f"{actual_bar:g} bar of {target_bar:g}: is it in MPa? Then it is "
            f"{10 * actual_bar:g} bar: send a record that supersedes this one. Until a second "
            "test shows the same it counts for nothing",
        )


def _remarks_on_conditions(document: TestRecord, family: PumpFamily) -> Iterable[Remark]:
    crank_rpm = _crank_rpm(document)
    if crank_rpm is not None and crank_rpm < LOW_CRANK_FRACTION * family.reference_crank_rpm:
        yield Remark(
            "low_crank_speed",
            "/conditions/crank_rpm",
            f"cranked at {crank_rpm:g} 1/min, far below the reference "
            f"{family.reference_crank_rpm:g}: even a good pump falls short",
        )
    duty_pct = document.proof and document.proof.duty_pct
    if duty_pct is not None and abs(duty_pct - family.proof_duty_pct) > DUTY_TOLERANCE_PCT:
        yield Remark(
            "other_duty",
            "/proof/duty_pct",
            f"regulator held at {duty_pct:g} %, {family.pump_family} is proved at "
            f"{family.proof_duty_pct:g} %",
        )
