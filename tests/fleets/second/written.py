"""Documents of the contract, as the invented workshops write them."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np

from demo_fleet.habits import random_uuid
from tests.fleets.second.kinds import Family, Kind
from tests.fleets.second.kits import Kit
from tests.fleets.second.lives import Life
from tests.fleets.second.readings import Readings
from tests.fleets.second.visits import Visits
from tests.fleets.second.workshops import Workshop

Record = dict[str, Any]

RAIL_MAX_BAR = 1600.0
PROOF_DUTY_PCT = 42.0
# What is written of a test beside the figures themselves.
_NO_PROOF = 0.03
_NO_ODOMETER = 0.06
_NO_KIT = 0.03
_WITH_BATTERY = 0.6
_WITH_LEAK_RAIL = 0.7
_FINDING_WRITTEN = 0.85


def moment(starts_on: date, day: float) -> str:
    """Return a day of the history as an RFC 3339 time, UTC."""
    utc = datetime.combine(starts_on, time(), UTC) + timedelta(minutes=round(day * 1440))
    return utc.isoformat()


def family_document(family: Family) -> Record:
    """Return a family's settings."""
    return {
        "pump_family": family.name,
        "rail_max_bar": RAIL_MAX_BAR,
        "proof_duty_pct": PROOF_DUTY_PCT,
        "proof_target_bar": family.target_bar,
        "cylinders": family.cylinders,
        "rail_volume_ml": family.rail_volume_ml,
        "displacement_ml_per_engine_rev": family.swept_ml_per_rev,
        "proof_ratio_limit": family.limit,
        "leak_limit_ml_per_min": round(0.3 * family.swept_ml_per_rev * family.reference_rpm),
        "reference_fuel_temp_c": family.reference_temp_c,
        "reference_crank_rpm": family.reference_rpm,
    }


def vehicle_document(vehicle: str, life: Life, depot: str, starts_on: date) -> Record:
    """Return a vehicle."""
    in_service_on = starts_on + timedelta(days=int(life.entry))
    return {
        "vehicle": vehicle,
        "pump_family": life.family.name,
        "in_service_on": str(in_service_on),
        "depot": depot,
    }


def fitment_documents(
    vehicle: str, life: Life, serials: list[str], starts_on: date, rng: np.random.Generator
) -> list[Record]:
    """Return the pumps and the parts changed; not every filter changed is written down."""
    days = life.odometer_km.size
    fitted: list[tuple[str, float, Record]] = [
        ("pump", pump.fitted, {"serial": serial})
        for pump, serial in zip(life.pumps, serials, strict=True)
    ]
    for fault in life.faults:
        if fault.ends < days:
            more = {} if fault.cylinder is None else {"cylinder": fault.cylinder + 1}
            fitted.append((fault.part, fault.ends, more))
    # The change that ended a clogging is in the faults already.
    ends = {fault.ends for fault in life.faults}
    fitted += [
        ("fuel_filter", day, {}) for day, recorded in life.filters if recorded and day not in ends
    ]
    return [
        {
            "fitment_id": random_uuid(rng),
            "vehicle": vehicle,
            "part": part,
            "fitted_at": moment(starts_on, day),
            **({"odometer_km": float(round(life.odometer_km[int(day)]))} if day >= 0 else {}),
            **more,
        }
        for part, day, more in fitted
        if day > life.entry or part == "pump"
    ]


def finding_documents(
    vehicle: str, life: Life, starts_on: date, rng: np.random.Generator
) -> list[Record]:
    """Return most of what was found."""
    return [
        {
            "finding_id": random_uuid(rng),
            "vehicle": vehicle,
            "part": part,
            "outcome": outcome,
            "found_at": moment(starts_on, day),
        }
        for day, part, outcome in life.findings
        if day > life.entry and rng.random() < _FINDING_WRITTEN
    ]


def calibration_documents(
    kits: list[Kit], starts_on: date, rng: np.random.Generator
) -> list[Record]:
    """Return the calibrations somebody recorded."""
    return [
        {
            "calibration_id": random_uuid(rng),
            "kit": kit.name,
            "calibrated_at": moment(starts_on, event.day),
        }
        for kit in kits
        for event in kit.events
        if event.kind == "calibration" and event.recorded
    ]


def test_record_documents(
    kind: Kind,
    vehicle: str,
    life: Life,
    visits: Visits,
    readings: Readings,
    kits: list[Kit],
    workshops: list[Workshop],
    starts_on: date,
    rng: np.random.Generator,
) -> list[Record]:
    """Return one record per test, with what its writer cared to fill in."""
    family = life.family
    draws = rng.random((len(visits), 9))
    battery_v = np.round(24.0 * (0.90 + 0.05 * rng.normal(size=len(visits)).clip(-1, 1)), 1)
    temp_c = np.round(visits.temp_c + 0.8 * rng.normal(size=len(visits)), 0)
    rpm = np.round(visits.speed * family.reference_rpm * (1 + 0.01 * rng.normal(size=len(visits))))
    records = []
    for i, draw in enumerate(draws):
        shop = workshops[visits.workshop[i]]
        record: Record = {
            "record_id": random_uuid(rng),
            "vehicle": vehicle,
            "performed_at": moment(starts_on, float(visits.day[i])),
            "workshop": shop.name,
        }
        if draw[0] >= _NO_ODOMETER:
            record["odometer_km"] = float(round(life.odometer_km[int(visits.day[i])]))
        if draw[1] >= _NO_KIT:
            record["kit"] = kits[visits.kit[i]].name
        conditions = {}
        if draw[2] >= shop.no_temp:
            conditions["fuel_temp_c"] = float(temp_c[i])
        if draw[3] >= shop.no_rpm:
            conditions["crank_rpm"] = float(rpm[i])
        if draw[4] < _WITH_BATTERY:
            conditions["battery_v"] = float(battery_v[i])
        if conditions:
            record["conditions"] = conditions
        rate = readings.build_rate_bar_per_s[i]
        if draw[5] < kind.with_build and np.isfinite(rate):
            record["build"] = {"rate_bar_per_s": float(rate)}
            if shop.says_window:
                record["build"]["from_bar"] = float(readings.build_from_bar[i])
                record["build"]["to_bar"] = float(readings.build_to_bar[i])
        if draw[6] < kind.with_leak:
            record["leak"] = {"duration_s": shop.leak_s}
            if draw[7] < _WITH_LEAK_RAIL:
                record["leak"]["rail_bar"] = float(readings.leak_rail_bar[i])
            record["leak"]["cylinders"] = [
                {"cylinder": c + 1, "ml": float(ml)} for c, ml in enumerate(readings.leak_ml[i])
            ]
        if draw[8] >= _NO_PROOF or not ("build" in record or "leak" in record):
            record["proof"] = {
                "duty_pct": PROOF_DUTY_PCT,
                "target_bar": family.target_bar,
                "actual_bar": float(readings.actual_bar[i]),
            }
        records.append(record)
    return records
