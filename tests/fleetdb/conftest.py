"""A small fleet written through the store as a user's documents would be."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import pytest

from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from fleetdb.settings import Settings
from fleetdb.store.amending import amend_vehicle, void_record
from fleetdb.store.engine import Store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.ingest import Accepted, accept_many
from tests.traces import post_trace

FAMILY = {
    "pump_family": "fam-a",
    "rail_max_bar": 1600,
    "proof_duty_pct": 45,
    "proof_target_bar": 700,
    "cylinders": 4,
    "proof_ratio_limit": 0.8,
    "reference_fuel_temp_c": 40,
    "reference_crank_rpm": 200,
}
START = datetime(2025, 1, 1, 6, 0, tzinfo=UTC)


@dataclass
class SmallFleet:
    """Writes documents into a store; ``home`` is where its mirror goes."""

    store: Store
    fleet_id: int
    home: Path
    vehicles: list[str] = field(default_factory=lambda: [f"V{i:02}" for i in range(12)])
    written: int = 0

    def set_up(self) -> None:
        self.accept(Kind.PUMP_FAMILIES, [FAMILY])
        self.accept(Kind.VEHICLES, [self.vehicle(vehicle) for vehicle in self.vehicles])

    def vehicle(self, vehicle: str, **fields: Any) -> dict[str, Any]:
        base = {"vehicle": vehicle, "pump_family": "fam-a", "in_service_on": "2024-01-01"}
        return {**base, "depot": "North", **fields}

    def accept(self, kind: Kind, documents: Iterable[dict[str, Any]]) -> list[Accepted]:
        """Store documents in one transaction; each must be accepted."""
        parsed = [parse_document(kind, document) for document in documents]
        with self.store.write() as session:
            results = accept_many(session, self.fleet_id, kind, parsed, "test")
        assert all(isinstance(result, Accepted) for result in results), results
        return [result for result in results if isinstance(result, Accepted)]

    def record(self, **fields: Any) -> dict[str, Any]:
        """Return a test record unlike the last one; keyword arguments replace fields."""
        n = self.written
        self.written += 1
        performed_at = START + timedelta(hours=n, microseconds=n)
        document = {
            "record_id": str(uuid4()),
            "vehicle": self.vehicles[n % len(self.vehicles)],
            "performed_at": performed_at.isoformat(),
            "odometer_km": 1000 + n,
            "workshop": f"Workshop {n % 3}",
            "kit": f"Kit {n % 2}",
            "conditions": {"fuel_temp_c": 30.5, "crank_rpm": 201, "battery_v": 12.1},
            "proof": {"duty_pct": 45, "target_bar": 700, "actual_bar": 600 + n % 90},
            "build": {"rate_bar_per_s": 310.25, "from_bar": 50, "to_bar": 300},
        }
        if n % 2:
            entries = [{"cylinder": c, "ml": 20 + c / 8 + n} for c in (3, 1, 4, 2)]
            document["leak"] = {"duration_s": 60, "rail_bar": 600, "cylinders": entries}
        if n % 5 == 4:
            del document["proof"], document["kit"], document["conditions"]
        return {**document, **fields}

    def add_records(self, n: int) -> list[str]:
        """Store ``n`` new test records; return their ids."""
        results = self.accept(Kind.TEST_RECORDS, [self.record() for _ in range(n)])
        return [result.key for result in results]

    def add_one_of_each_other_kind(self) -> None:
        self.accept(
            Kind.FITMENTS,
            [
                {
                    "fitment_id": str(uuid4()),
                    "vehicle": "V01",
                    "part": "injector",
                    "cylinder": 2,
                    "serial": "S-1",
                    "fitted_at": "2025-02-03T04:05:06.789+02:00",
                    "odometer_km": 1234.5,
                    "reason": "leak",
                }
            ],
        )
        self.accept(
            Kind.FINDINGS,
            [
                {
                    "finding_id": str(uuid4()),
                    "vehicle": "V02",
                    "part": "pump",
                    "outcome": "worn_confirmed",
                    "found_at": "2025-03-01T00:00:00Z",
                }
            ],
        )
        self.accept(
            Kind.KIT_CALIBRATIONS,
            [
                {
                    "calibration_id": str(uuid4()),
                    "kit": "Kit 0",
                    "calibrated_at": "2025-03-02T00:00:00Z",
                }
            ],
        )

    def add_trace(self, record_id: str, kind: str = "proof", **fields: Any) -> UUID:
        """Store a trace of a test record; return its id."""
        return post_trace(self.store, record_id, kind, fleet_id=self.fleet_id, **fields).trace_id

    def void(self, record_id: str) -> None:
        with self.store.write() as session:
            void_record(session, self.fleet_id, UUID(record_id), "typed wrongly", "test")

    def amend(self, vehicle: str, **fields: Any) -> None:
        document = parse_document(Kind.VEHICLES, self.vehicle(vehicle, **fields))
        with self.store.write() as session:
            amend_vehicle(session, self.fleet_id, document, "moved", "test")  # pyright: ignore


def _small_fleet(store: Store, settings: Settings) -> SmallFleet:
    with store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    made = SmallFleet(store, fleet_id, settings.home)
    made.set_up()
    return made


@pytest.fixture
def fleet(store: Store, settings: Settings) -> SmallFleet:
    """A fleet of twelve vehicles without records, on each kind of database."""
    return _small_fleet(store, settings)


@pytest.fixture
def sqlite_fleet(sqlite_store: Store, sqlite_settings: Settings) -> SmallFleet:
    """The same on SQLite only, for what does not depend on the database."""
    return _small_fleet(sqlite_store, sqlite_settings)


@pytest.fixture
def postgres_fleet(postgres_store: Store, postgres_settings: Settings) -> SmallFleet:
    """The same on PostgreSQL only."""
    return _small_fleet(postgres_store, postgres_settings)
