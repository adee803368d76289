"""Documents of an invented fleet, for any test: one valid example of each kind, and variations."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from fleetdb.records.documents import Document, Kind
from fleetdb.records.parsing import parse_document
from fleetdb.store.engine import Store
from fleetdb.store.ingest import Accepted, accept

# The practitioner's example: rated 1600 bar, proved at 45 % towards 700 bar
# (common practice, no source).
FAMILY: dict[str, Any] = {
    "pump_family": "fam-x",
    "rail_max_bar": 1600,
    "proof_duty_pct": 45,
    "proof_target_bar": 700,
    "cylinders": 4,
    "rail_volume_ml": 40,
    "displacement_ml_per_engine_rev": 0.9,
    "pump_strokes_per_engine_rev": 1.5,
    "pumping_elements": 3,
    "proof_ratio_limit": 0.85,
    "leak_limit_ml_per_min": 200,
    "reference_fuel_temp_c": 40,
    "reference_crank_rpm": 200,
    "applies_from": None,
}
VEHICLE: dict[str, Any] = {
    "vehicle": "V-17",
    "pump_family": "fam-x",
    "in_service_on": "2022-03-01",
    "depot": "north yard",
    "vin": "1M8GDM9AXKP042788",
    "registration": "FLT 17",
}
KIT_CALIBRATION: dict[str, Any] = {
    "calibration_id": "00000000-0000-4000-8000-00000000000c",
    "kit": "gauge 3",
    "calibrated_at": "2024-01-10T09:00:00Z",
    "note": "bench, two points",
}
FITMENT: dict[str, Any] = {
    "fitment_id": "00000000-0000-4000-8000-00000000000f",
    "vehicle": "V-17",
    "part": "injector",
    "cylinder": 2,
    "serial": "INJ-204",
    "fitted_at": "2023-05-02T10:00:00+02:00",
    "odometer_km": 41000,
    "reason": "back-leak",
}
TEST_RECORD: dict[str, Any] = {
    "record_id": "00000000-0000-4000-8000-000000000001",
    "vehicle": "V-17",
    "performed_at": "2024-06-03T08:30:00+02:00",
    "odometer_km": 61250.5,
    "engine_hours": 1800,
    "workshop": "north shop",
    "kit": "gauge 3",
    "technician": "t-4",
    "conditions": {"fuel_temp_c": 38.5, "crank_rpm": 195, "battery_v": 24.6},
    "proof": {"duty_pct": 45, "target_bar": 700, "actual_bar": 650},
    "build": {"rate_bar_per_s": 310, "from_bar": 100, "to_bar": 600},
    "leak": {
        "duration_s": 30,
        "rail_bar": 400,
        "cylinders": [
            {"cylinder": 1, "ml": 12},
            {"cylinder": 2, "ml": 14.5},
            {"cylinder": 3, "ml": 11},
            {"cylinder": 4, "ml": 13},
        ],
    },
    "traces_follow": None,
    "note": "warm, after a run",
    "supersedes": None,
}
FINDING: dict[str, Any] = {
    "finding_id": "00000000-0000-4000-8000-00000000000d",
    "vehicle": "V-17",
    "part": "pump",
    "outcome": "worn_confirmed",
    "found_at": "2024-07-01T12:00:00Z",
    "odometer_km": 63000,
    "note": "scored plunger",
}
EXAMPLES: dict[Kind, dict[str, Any]] = {
    Kind.PUMP_FAMILIES: FAMILY,
    Kind.VEHICLES: VEHICLE,
    Kind.KIT_CALIBRATIONS: KIT_CALIBRATION,
    Kind.FITMENTS: FITMENT,
    Kind.TEST_RECORDS: TEST_RECORD,
    Kind.FINDINGS: FINDING,
}
ID_FIELDS: dict[Kind, str] = {
    Kind.KIT_CALIBRATIONS: "calibration_id",
    Kind.FITMENTS: "fitment_id",
    Kind.TEST_RECORDS: "record_id",
    Kind.FINDINGS: "finding_id",
}


def values_of(kind: Kind, **changes: Any) -> dict[str, Any]:
    """Return the example of a kind with a new id (where it is a UUID) and ``changes``."""
    values = dict(EXAMPLES[kind])
    if kind in ID_FIELDS:
        values[ID_FIELDS[kind]] = str(uuid4())
    return {**values, **changes}


def document_of(kind: Kind, **changes: Any) -> Document:
    """Return ``values_of`` as a document."""
    return parse_document(kind, values_of(kind, **changes))


def post(store: Store, kind: Kind, fleet_id: int = 1, **changes: Any) -> Accepted:
    """Store ``document_of`` in a transaction of its own."""
    with store.write() as session:
        return accept(session, fleet_id, kind, document_of(kind, **changes), "tests")


def post_family_and_vehicle(store: Store, fleet_id: int = 1) -> None:
    """Store what every other document refers to."""
    post(store, Kind.PUMP_FAMILIES, fleet_id)
    post(store, Kind.VEHICLES, fleet_id)
