"""Documents as rows and rows as documents: each mapping in one place, both directions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Row

from fleetdb.records.documents import (
    Build,
    Conditions,
    CylinderLeak,
    Finding,
    Fitment,
    KitCalibration,
    Leak,
    Outcome,
    Part,
    Proof,
    PumpFamily,
    TestRecord,
    Vehicle,
)
from fleetdb.store.tables import (
    BuildReading,
    CylinderLeakReading,
    FindingRow,
    FitmentRow,
    KitCalibrationRow,
    LeakReading,
    ProofReading,
    PumpFamilyVersion,
    TestRecordRow,
)

PUMP_FAMILY_COLUMNS = tuple(PumpFamily.model_fields)


def received(fleet_id: int, received_at: datetime, digest: str) -> dict[str, Any]:
    """Return the columns that every stored document has."""
    return {"fleet_id": fleet_id, "received_at": received_at, "digest": digest}


def pump_family_values(document: PumpFamily) -> dict[str, Any]:
    return {name: getattr(document, name) for name in PUMP_FAMILY_COLUMNS}


def pump_family_document(row: PumpFamilyVersion) -> PumpFamily:
    return PumpFamily.model_construct(**{name: getattr(row, name) for name in PUMP_FAMILY_COLUMNS})


def vehicle_values(
    document: Vehicle, vehicle_id: int, depots: Mapping[str, int], reason: str | None
) -> dict[str, Any]:
    return {
        "vehicle_id": vehicle_id,
        "pump_family": document.pump_family,
        "in_service_on": document.in_service_on,
        "depot_id": depots[document.depot] if document.depot is not None else None,
        "vin": document.vin,
        "registration": document.registration,
        "reason": reason,
    }


def vehicle_document(row: Row[*tuple[Any, ...]]) -> Vehicle:
    """Return the vehicle of a version's columns, with ``vehicle`` and ``depot`` by name."""
    return Vehicle.model_construct(
        vehicle=row.vehicle,
        pump_family=row.pump_family,
        in_service_on=row.in_service_on,
        depot=row.depot,
        vin=row.vin,
        registration=row.registration,
    )


def kit_calibration_values(document: KitCalibration, kits: Mapping[str, int]) -> dict[str, Any]:
    return {
        "calibration_id": document.calibration_id,
        "kit_id": kits[document.kit],
        "calibrated_at": document.calibrated_at,
        "note": document.note,
    }


def kit_calibration_document(row: KitCalibrationRow, kit: str) -> KitCalibration:
    return KitCalibration.model_construct(
        calibration_id=row.calibration_id,
        kit=kit,
        calibrated_at=row.calibrated_at,
        note=row.note,
    )


def fitment_values(document: Fitment, vehicle_id: int) -> dict[str, Any]:
    return {
        "fitment_id": document.fitment_id,
        "vehicle_id": vehicle_id,
        "part": document.part.value,
        "cylinder": document.cylinder,
        "serial": document.serial,
        "fitted_at": document.fitted_at,
        "odometer_km": document.odometer_km,
        "reason": document.reason,
    }


def fitment_document(row: FitmentRow, vehicle: str) -> Fitment:
    return Fitment.model_construct(
        fitment_id=row.fitment_id,
        vehicle=vehicle,
        part=Part(row.part),
        cylinder=row.cylinder,
        serial=row.serial,
        fitted_at=row.fitted_at,
        odometer_km=row.odometer_km,
        reason=row.reason,
    )


def finding_values(document: Finding, vehicle_id: int) -> dict[str, Any]:
    return {
        "finding_id": document.finding_id,
        "vehicle_id": vehicle_id,
        "part": document.part.value,
        "outcome": document.outcome.value,
        "found_at": document.found_at,
        "odometer_km": document.odometer_km,
        "note": document.note,
    }


def finding_document(row: FindingRow, vehicle: str) -> Finding:
    return Finding.model_construct(
        finding_id=row.finding_id,
        vehicle=vehicle,
        part=Part(row.part),
        outcome=Outcome(row.outcome),
        found_at=row.found_at,
        odometer_km=row.odometer_km,
        note=row.note,
    )


def test_record_values(
    document: TestRecord,
    vehicle_id: int,
    workshops: Mapping[str, int],
    kits: Mapping[str, int],
    token_id: int | None,
) -> dict[str, Any]:
    conditions = document.conditions or Conditions.model_construct()
    return {
        "record_id": document.record_id,
        "vehicle_id": vehicle_id,
        "performed_at": document.performed_at,
        "odometer_km": document.odometer_km,
        "engine_hours": document.engine_hours,
        "workshop_id": workshops[document.workshop] if document.workshop is not None else None,
        "kit_id": kits[document.kit] if document.kit is not None else None,
        "technician": document.technician,
        "fuel_temp_c": conditions.fuel_temp_c,
        "crank_rpm": conditions.crank_rpm,
        "battery_v": conditions.battery_v,
        "traces_follow": document.traces_follow,
        "note": document.note,
        "supersedes": document.supersedes,
        "posted_by_token_id": token_id,
    }


def proof_values(document: Proof, row_id: int) -> dict[str, Any]:
    return {
        "test_record_id": row_id,
        "duty_pct": document.duty_pct,
        "target_bar": document.target_bar,
        "actual_bar": document.actual_bar,
    }


def build_values(document: Build, row_id: int) -> dict[str, Any]:
    return {
        "test_record_id": row_id,
        "rate_bar_per_s": document.rate_bar_per_s,
        "from_bar": document.from_bar,
        "to_bar": document.to_bar,
    }


def leak_values(document: Leak, row_id: int) -> dict[str, Any]:
    return {
        "test_record_id": row_id,
        "duration_s": document.duration_s,
        "rail_bar": document.rail_bar,
    }


def cylinder_leak_values(document: Leak, row_id: int) -> list[dict[str, Any]]:
    return [
        {"test_record_id": row_id, "cylinder": entry.cylinder, "ml": entry.ml}
        for entry in document.cylinders
    ]


_NO_CONDITIONS = Conditions()


def test_record_document(
    row: TestRecordRow,
    vehicle: str,
    workshop: str | None,
    kit: str | None,
    proof: ProofReading | None,
    build: BuildReading | None,
    leak: LeakReading | None,
    cylinders: Sequence[CylinderLeakReading],
) -> TestRecord:
    conditions = Conditions.model_construct(
        fuel_temp_c=row.fuel_temp_c, crank_rpm=row.crank_rpm, battery_v=row.battery_v
    )
    return TestRecord.model_construct(
        record_id=row.record_id,
        vehicle=vehicle,
        performed_at=row.performed_at,
        odometer_km=row.odometer_km,
        engine_hours=row.engine_hours,
        workshop=workshop,
        kit=kit,
        technician=row.technician,
        conditions=conditions if conditions != _NO_CONDITIONS else None,
        proof=proof
        and Proof.model_construct(
            duty_pct=proof.duty_pct, target_bar=proof.target_bar, actual_bar=proof.actual_bar
        ),
        build=build
        and Build.model_construct(
            rate_bar_per_s=build.rate_bar_per_s, from_bar=build.from_bar, to_bar=build.to_bar
        ),
        leak=leak
        and Leak.model_construct(
            duration_s=leak.duration_s,
            rail_bar=leak.rail_bar,
            cylinders=[
                CylinderLeak.model_construct(cylinder=entry.cylinder, ml=entry.ml)
                for entry in sorted(cylinders, key=lambda entry: entry.cylinder)
            ],
        ),
        traces_follow=row.traces_follow,
        note=row.note,
        supersedes=row.supersedes,
    )
