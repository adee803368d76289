"""What the fleet already holds that a batch of documents names, fetched a batch at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from fleetdb.records.documents import PumpFamily, Vehicle
from fleetdb.records.plausibility import family_in_force
from fleetdb.store.inserting import insert_new
from fleetdb.store.rows import pump_family_document, vehicle_document
from fleetdb.store.tables import (
    Depot,
    Kit,
    PumpFamilyVersion,
    VehicleIdentity,
    VehicleVersion,
    Workshop,
)


@dataclass(frozen=True, slots=True)
class KnownVehicle:
    """A vehicle of the fleet: its row, and what the version in force says."""

    row_id: int
    document: Vehicle


class KnownFleet:
    """Vehicles and pump families that a batch names, as the fleet knows them."""

    def __init__(
        self, vehicles: dict[str, KnownVehicle], families: dict[str, list[PumpFamily]]
    ) -> None:
        self._vehicles = vehicles
        self._families = families

    def vehicle(self, vehicle: str) -> KnownVehicle | None:
        """Return the vehicle called ``vehicle``, or None when the fleet has none."""
        return self._vehicles.get(vehicle)

    def has_family(self, pump_family: str) -> bool:
        """Return True when any version of the family is known."""
        return pump_family in self._families

    def versions(self, pump_family: str) -> Sequence[PumpFamily]:
        """Return every version of the family, in no order."""
        return self._families.get(pump_family, ())

    def add_family(self, version: PumpFamily) -> None:
        """Count ``version`` among those known."""
        self._families.setdefault(version.pump_family, []).append(version)

    def family(self, pump_family: str, on: date) -> PumpFamily | None:
        """Return the version of the family in force on a date."""
        return family_in_force(self.versions(pump_family), on)


def known_fleet(
    session: Session, fleet_id: int, vehicles: Iterable[str], pump_families: Iterable[str] = ()
) -> KnownFleet:
    """Fetch these vehicles and their families, and ``pump_families``."""
    known = _known_vehicles(session, fleet_id, set(vehicles))
    wanted = {entry.document.pump_family for entry in known.values()} | set(pump_families)
    families: dict[str, list[PumpFamily]] = {}
    if wanted:
        for row in session.scalars(
            select(PumpFamilyVersion).where(
                PumpFamilyVersion.fleet_id == fleet_id, PumpFamilyVersion.pump_family.in_(wanted)
            )
        ):
            families.setdefault(row.pump_family, []).append(pump_family_document(row))
    return KnownFleet(known, families)


def _known_vehicles(session: Session, fleet_id: int, vehicles: set[str]) -> dict[str, KnownVehicle]:
    if not vehicles:
        return {}
    in_force = (
        select(func.max(VehicleVersion.id))
        .where(VehicleVersion.vehicle_id == VehicleIdentity.id)
        .correlate(VehicleIdentity)
        .scalar_subquery()
    )
    rows = session.execute(
        select(
            VehicleIdentity.id,
            VehicleIdentity.vehicle,
            Depot.name.label("depot"),
            VehicleVersion.pump_family,
            VehicleVersion.in_service_on,
            VehicleVersion.vin,
            VehicleVersion.registration,
        )
        .join(VehicleVersion, VehicleVersion.id == in_force)
        .outerjoin(Depot, Depot.id == VehicleVersion.depot_id)
        .where(VehicleIdentity.fleet_id == fleet_id, VehicleIdentity.vehicle.in_(vehicles))
    )
    return {row.vehicle: KnownVehicle(row.id, vehicle_document(row)) for row in rows}


def register_names(
    session: Session,
    table: type[Depot] | type[Workshop] | type[Kit],
    fleet_id: int,
    names: Iterable[str | None],
    now: datetime,
) -> dict[str, int]:
    """Return the row of each name, registering those named for the first time."""
    wanted = {name for name in names if name is not None}
    if not wanted:
        return {}

    def known() -> dict[str, int]:
        rows = session.execute(
            select(table.name, table.id).where(table.fleet_id == fleet_id, table.name.in_(wanted))
        )
        return {row.name: row.id for row in rows}

    rows = known()
    missing = wanted - rows.keys()
    if missing:
        # In one order everywhere: two batches registering the same names in two
        # orders would wait for each other on PostgreSQL.
        insert_new(
            session,
            table,
            [
                {"fleet_id": fleet_id, "name": name, "first_named_at": now}
                for name in sorted(missing)
            ],
            [table.id],
        )
        rows = known()
    return rows
