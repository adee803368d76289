"""One example of every body, for the OpenAPI document; the tests post each of them."""

from __future__ import annotations

from typing import Any

from fleetdb.records.documents import Kind

DOCUMENTS: dict[Kind, dict[str, Any]] = {
    Kind.PUMP_FAMILIES: {
        "pump_family": "ridge-16",
        "rail_max_bar": 1600,
        "proof_duty_pct": 45,
        "proof_target_bar": 700,
        "cylinders": 6,
        "rail_volume_ml": 28,
        "displacement_ml_per_engine_rev": 0.9,
        "proof_ratio_limit": 0.8,
        "leak_limit_ml_per_min": 360,
        "reference_fuel_temp_c": 30,
        "reference_crank_rpm": 180,
    },
    Kind.VEHICLES: {
        "vehicle": "V-0107",
        "pump_family": "ridge-16",
        "in_service_on": "2022-04-01",
        "depot": "Quarry Lane",
    },
    Kind.KIT_CALIBRATIONS: {
        "calibration_id": "6c1f0f5e-0c8e-4b7c-9a55-2f5f3b1c7d01",
        "kit": "K-3",
        "calibrated_at": "2025-01-13T09:00:00+01:00",
    },
    Kind.FITMENTS: {
        "fitment_id": "2b0c7e52-6d2f-4f43-8f0c-5b7f3f4a9e11",
        "vehicle": "V-0107",
        "part": "pump",
        "serial": "P-88214",
        "fitted_at": "2023-06-19T14:20:00+02:00",
        "odometer_km": 61250,
        "reason": "worn",
    },
    Kind.TEST_RECORDS: {
        "record_id": "018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f",
        "vehicle": "V-0107",
        "performed_at": "2025-03-01T08:30:00+01:00",
        "odometer_km": 142310,
        "kit": "K-3",
        "conditions": {"fuel_temp_c": 22, "crank_rpm": 185, "battery_v": 12.1},
        "proof": {"duty_pct": 45, "target_bar": 700, "actual_bar": 650},
        "build": {"rate_bar_per_s": 410},
        "leak": {"duration_s": 60, "cylinders": [{"cylinder": 1, "ml": 31}]},
    },
    Kind.FINDINGS: {
        "finding_id": "9d0f6b0a-4a0e-4d0c-8a0f-3e8b6a1f2c77",
        "vehicle": "V-0107",
        "part": "pump",
        "outcome": "worn_confirmed",
        "found_at": "2025-05-12T10:00:00+02:00",
    },
}
# Half a second of rest, a climb to 650 bar and three seconds held there, at 20 Hz.
TRACE: dict[str, Any] = {
    "trace_id": "5d3f2a90-4c1e-4f62-8b57-0a9d3c6e1b24",
    "kind": "proof",
    "inlet_valve_unplugged": True,
    "time_s": [round(0.05 * n, 2) for n in range(100)],
    "rail_bar": [
        round(8 + min(max(n - 10, 0) * 21.5, 642) + (2, -1, -2, 1)[n % 4], 1) for n in range(100)
    ],
}
VEHICLE_AMENDMENT: dict[str, Any] = {
    **DOCUMENTS[Kind.VEHICLES],
    "depot": "Harbour Road",
    "reason": "moved to another depot",
}
VOID: dict[str, Any] = {"reason": "taken on another vehicle by mistake"}
TOKEN: dict[str, Any] = {
    "label": "north bench",
    "role": "workshop",
    "workshop_name": "North",
    "expires_at": "2027-01-01T00:00:00Z",
}
