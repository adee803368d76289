"""From what happened to what was written down: documents of the contract."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, timezone

import numpy as np

from demo_fleet.habits import HabitOptions, Record, random_uuid
from demo_fleet.kits import Kit
from demo_fleet.life import VehicleLife
from demo_fleet.readings import Readings
from demo_fleet.scenario import Family, kit_name
from demo_fleet.visits import Visits

# Some workshops' forms write UTC, others their own time.
WRITING_OFFSETS_H = (1, 0, 1, 2)
PART_REASONS = {
    "injector": "back-leak too high",
    "injector_set": "back-leak too high on all cylinders",
    "regulator": "regulator passing",
    "fuel_filter": "clogged",
}


def moment(starts_on: date, day: float, offset_h: int = 0) -> str:
    """Return ``day`` of the history as an RFC 3339 time in a zone ``offset_h`` from UTC."""
    utc = datetime.combine(starts_on, time(), UTC) + timedelta(minutes=round(day * 1440))
    if offset_h == 0:
        return utc.isoformat().replace("+00:00", "Z")
    return utc.astimezone(timezone(timedelta(hours=offset_h))).isoformat()


def family_document(family: Family) -> Record:
    """Return the settings of a pump family."""
    return {
        "pump_family": family.name,
        "rail_max_bar": family.rail_max_bar,
        "proof_duty_pct": family.proof_duty_pct,
        "proof_target_bar": family.proof_target_bar,
        "cylinders": family.cylinders,
        "rail_volume_ml": family.rail_volume_ml,
        "displacement_ml_per_engine_rev": family.displacement_ml_per_engine_rev,
        "proof_ratio_limit": family.proof_ratio_limit,
        "leak_limit_ml_per_min": family.leak_limit_ml_per_min,
        "reference_fuel_temp_c": family.reference_fuel_temp_c,
        "reference_crank_rpm": family.reference_crank_rpm,
    }


def fitment_documents(
    vehicle: str, life: VehicleLife, serials: list[str], starts_on: date, rng: np.random.Generator
) -> list[Record]:
    """Return every part fitted: pumps, then what faults called for."""
    days = np.arange(life.odometer_km.size, dtype=np.float64)
    documents: list[Record] = []

    def add(part: str, day: float, reason: str, **more: object) -> None:
        document: Record = {
            "fitment_id": random_uuid(rng),
            "vehicle": vehicle,
            "part": part,
            "fitted_at": moment(starts_on, day),
            "reason": reason,
            **more,
        }
        if day >= 0:
            document["odometer_km"] = float(round(np.interp(day, days, life.odometer_km)))
        documents.append(document)

    for index, (pump, serial) in enumerate(zip(life.pumps, serials, strict=True)):
        first = "with the vehicle" if pump.fitted_day == life.entry_day else "before records began"
        failed = index > 0 and life.pumps[index - 1].failed
        later = "failed on the road" if failed else "worn"
        add("pump", pump.fitted_day, first if index == 0 else later, serial=serial)
    for fault in life.faults:
        if fault.ends < days[-1]:
            more = {} if fault.cylinder is None else {"cylinder": fault.cylinder}
            add(fault.part, fault.ends, PART_REASONS[fault.part], **more)
    return documents


def finding_documents(
    vehicle: str, life: VehicleLife, starts_on: date, rng: np.random.Generator
) -> list[Record]:
    """Return what was found of pumps and of other parts."""
    found = [(f.day, f.part, f.outcome) for f in life.findings]
    found += [
        (fault.ends, fault.part, "failed_on_road" if fault.on_road else "worn_confirmed")
        for fault in life.faults
        if fault.ends < life.odometer_km.size - 1
    ]
    return [
        {
            "finding_id": random_uuid(rng),
            "vehicle": vehicle,
            "part": part,
            "outcome": outcome,
            "found_at": moment(starts_on, day),
        }
        for day, part, outcome in found
    ]


def calibration_documents(
    kits: list[Kit], starts_on: date, rng: np.random.Generator
) -> list[Record]:
    """Return the calibrations somebody recorded."""
    return [
        {
            "calibration_id": random_uuid(rng),
            "kit": kit_name(index),
            "calibrated_at": moment(starts_on, event.day),
        }
        for index, kit in enumerate(kits)
        for event in kit.events
        if event.kind == "calibration" and event.recorded
    ]


def test_record_documents(
    options: HabitOptions,
    vehicle: str,
    life: VehicleLife,
    visits: Visits,
    readings: Readings,
    workshops: list[str],
    starts_on: date,
    rng: np.random.Generator,
) -> list[Record]:
    """Return one good record per visit, with the fields its writer cared to fill in."""
    days = np.arange(life.odometer_km.size, dtype=np.float64)
    odometer_km = np.round(np.interp(visits.day, days, life.odometer_km))
    return [
        _test_record(
            options, vehicle, life.family, visits, readings, float(odometer_km[i]), i,
            workshops[visits.workshop[i]], starts_on, rng,
        )
        for i in range(len(visits))
    ]  # fmt: skip


def _test_record(
    options: HabitOptions,
    vehicle: str,
    family: Family,
    visits: Visits,
    readings: Readings,
    odometer_km: float,
    i: int,
    workshop: str,
    starts_on: date,
    rng: np.random.Generator,
) -> Record:
    draws = visits.draws[i, 5:]
    offset_h = WRITING_OFFSETS_H[visits.workshop[i] % len(WRITING_OFFSETS_H)]
    record: Record = {
        "record_id": random_uuid(rng),
        "vehicle": vehicle,
        "performed_at": moment(starts_on, float(visits.day[i]), offset_h),
        "workshop": workshop,
    }
    if draws[0] >= options.no_odometer:
        record["odometer_km"] = odometer_km
    if draws[1] >= options.no_kit:
        record["kit"] = kit_name(int(visits.kit[i]))
    conditions: Record = {}
    if draws[2] >= options.no_fuel_temp:
        conditions["fuel_temp_c"] = float(readings.fuel_temp_c[i])
    if draws[3] >= options.no_crank_rpm:
        conditions["crank_rpm"] = float(readings.crank_rpm[i])
    if draws[4] >= options.no_battery:
        conditions["battery_v"] = float(readings.battery_v[i])
    if conditions:
        record["conditions"] = conditions
    if draws[6] >= options.no_build and np.isfinite(readings.build_rate_bar_per_s[i]):
        record["build"] = {"rate_bar_per_s": float(readings.build_rate_bar_per_s[i])}
        if draws[7] >= options.no_build_span:
            record["build"]["from_bar"] = float(readings.build_from_bar[i])
            record["build"]["to_bar"] = float(readings.build_to_bar[i])
    if draws[8] >= options.no_leak:
        leak: Record = {"duration_s": float(readings.leak_duration_s[i])}
        if draws[9] >= options.no_leak_rail:
            leak["rail_bar"] = float(readings.leak_rail_bar[i])
        leak["cylinders"] = [
            {"cylinder": cylinder + 1, "ml": float(ml)}
            for cylinder, ml in enumerate(readings.leak_ml[i])
        ]
        record["leak"] = leak
    # A visit that measured nothing else is a proof: that is what it came for.
    if draws[5] >= options.no_proof or not ("build" in record or "leak" in record):
        record["proof"] = {
            "duty_pct": family.proof_duty_pct,
            "target_bar": family.proof_target_bar,
            "actual_bar": float(readings.actual_bar[i]),
        }
    return record
