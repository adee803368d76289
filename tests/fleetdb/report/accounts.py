"""Accounts of vehicles written out by hand, for what is told and drawn of them."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from fleetdb.records.documents import Finding, Fitment, Kind, TestRecord, Vehicle
from fleetdb.records.figures import figures_of
from fleetdb.report.vehicle_account import Event, TestTold, VehicleAccount
from fleetdb.store.stored_documents import RecordView, StoredDocument
from fleetdb.trend.vehicle_in_full import FamilySettings, VehicleInFull
from fleetdb.trend.vehicle_tests import Ahead, CylinderLeak, PumpSeen, Reading, Spread, TestSeen

START = datetime(2025, 1, 1, tzinfo=UTC)
AS_OF = START + timedelta(days=100)
APPLIED = FamilySettings(
    cylinders=4,
    proof_target_bar=700.0,
    proof_ratio_limit=0.8,
    leak_limit_ml_per_min=200.0,
    reference_fuel_temp_c=40.0,
    reference_crank_rpm=200.0,
    usual_leak_rail_bar=650.0,
)


def reading(
    raw: float, kit: float = 1.0, temperature: float = 1.0, speed: float = 1.0, p: float = 0.0
) -> Reading:
    return Reading(raw, raw / (kit * temperature * speed), kit, temperature, speed, p)


def seen(n: int, ratio: Reading | None = None, **fields: Any) -> TestSeen:
    """Return a test on day ``10 n``, at 1000 km a day, at reference conditions with kit K1."""
    values: dict[str, Any] = {
        "record_id": str(uuid.UUID(int=n)),
        "performed_at": START + timedelta(days=10 * n),
        "odometer_km": 10_000.0 * n,
        "kit": "K1",
        "fuel_temp_c": 40.0,
        "crank_rpm": 200.0,
        "proof_ratio": ratio,
        "build_rate_bar_per_s": None,
        "leaks": (),
        "leak_temperature": 1.0,
        "leak_pressure": 1.0,
        "reserve": Spread(1.1, 1.2, 1.3),
        "probability_worn": 0.1,
        "probability_below_limit": 0.01,
    }
    return TestSeen(**{**values, **fields})


def leaks(*ml_per_min: float) -> tuple[CylinderLeak, ...]:
    return tuple(CylinderLeak(c, 0.8 * ml, ml) for c, ml in enumerate(ml_per_min, start=1))


def told(test: TestSeen | None, record: TestRecord | None = None, **became: Any) -> TestTold:
    """Return a test as told of; ``became`` says whether it was withdrawn or superseded."""
    document = record or TestRecord.model_validate(
        {
            "record_id": test.record_id if test else str(uuid.uuid4()),
            "vehicle": "V1",
            "performed_at": test.performed_at if test else START,
            "proof": {"target_bar": 700.0, "actual_bar": 650.0},
        }
    )
    view = RecordView(
        kind=Kind.TEST_RECORDS,
        row_id=1,
        received_at=START,
        document=document,
        effective=document,
        figures=figures_of(document),
        figure_sources={},
        remarks=[],
        traces=[],
        superseded_by=became.get("superseded_by"),
        void_reason=became.get("void_reason"),
        posted_by_token_id=None,
    )
    return TestTold(view, test)


def event(document: Fitment | Finding, letter: str | None) -> Event:
    kind = Kind.FITMENTS if isinstance(document, Fitment) else Kind.FINDINGS
    at = document.fitted_at if isinstance(document, Fitment) else document.found_at
    return Event(StoredDocument(kind, 1, START, document), document, at, letter)


def account(*tests: TestSeen, events: tuple[Event, ...] = (), **verdict: Any) -> VehicleAccount:
    """Return the account of a vehicle with one pump and these tests, oldest first."""
    return VehicleAccount(
        vehicle=Vehicle(vehicle="V1", pump_family="fam", in_service_on=START.date()),
        trend=VehicleInFull(
            as_of=AS_OF,
            verdict={
                "n_tests": len(tests),
                "km_per_day": 1000.0,
                "last_odometer_km": tests[-1].odometer_km if tests else None,
                "last_test_at": tests[-1].performed_at.replace(tzinfo=None) if tests else None,
                **verdict,
            },
            settings=APPLIED,
            pumps=(PumpSeen(None, START, None, None, True, tests),),
            ahead=tuple(
                Ahead(days, Spread(0.7, 0.9, 1.1), Spread(0.75, 0.9, 1.0), 0.2)
                for days in (0.0, 365.0)
            ),
            past=(),
        ),
        tests=tuple(told(test) for test in reversed(tests)),
        n_tests=len(tests),
        events=events,
    )
