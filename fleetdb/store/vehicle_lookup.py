"""Finding the vehicle that stands in the workshop, by a part of what is written on it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy import ColumnElement, case, func, or_, select
from sqlalchemy.orm import Session

from fleetdb.errors import NotFoundError
from fleetdb.records.documents import PumpFamily, Vehicle
from fleetdb.store.lookup import known_fleet
from fleetdb.store.stored_documents import version_in_force
from fleetdb.store.tables import PumpFamilyVersion, VehicleIdentity, VehicleVersion

# Less would list a good part of the fleet: so little must be the whole of it.
SHORTEST_PART = 3


@dataclass(frozen=True, slots=True)
class FoundVehicle:
    """A vehicle that fits what was typed."""

    vehicle: str
    registration: str | None
    vin: str | None
    pump_family: str


def find_vehicles(session: Session, fleet_id: int, typed: str, most: int) -> list[FoundVehicle]:
    """Return up to ``most`` vehicles whose fleet number, registration or VIN has ``typed`` in it.

    Capitals, blanks and hyphens make no difference. What is shorter than ``SHORTEST_PART``
    must be the whole of it. Whole ones come first, then shorter numbers.
    """
    part = "".join(typed.lower().replace("-", "").split())
    if not part:
        return []
    number, registration, vin = (
        func.coalesce(column, "")
        for column in (VehicleIdentity.vehicle, VehicleVersion.registration, VehicleVersion.vin)
    )
    is_whole = or_(*(_plain(text) == part for text in (number, registration, vin)))
    # All three in one text, with what no part has between them: a third of the work.
    together = _plain(number + "\n" + registration + "\n" + vin)
    has_part = together.contains(part, autoescape=True)
    statement = (
        select(
            VehicleIdentity.vehicle,
            VehicleVersion.registration,
            VehicleVersion.vin,
            VehicleVersion.pump_family,
        )
        .join(VehicleVersion, VehicleVersion.vehicle_id == VehicleIdentity.id)
        .where(
            VehicleIdentity.fleet_id == fleet_id,
            has_part if len(part) >= SHORTEST_PART else is_whole,
            version_in_force(),
        )
        .order_by(
            case((is_whole, 0), else_=1),
            func.length(VehicleIdentity.vehicle),
            VehicleIdentity.vehicle,
        )
        .limit(most)
    )
    return [FoundVehicle(*row) for row in session.execute(statement)]


def vehicle_and_family(
    session: Session, fleet_id: int, vehicle: str, on: date
) -> tuple[Vehicle, PumpFamily]:
    """Return a vehicle and the version of its family in force on a date.

    Raises
    ------
    NotFoundError
        The fleet has no such vehicle.
    """
    fleet = known_fleet(session, fleet_id, [vehicle])
    known = fleet.vehicle(vehicle)
    family = known and fleet.family(known.document.pump_family, on)
    if known is None or family is None:
        raise NotFoundError("vehicle", vehicle)
    return known.document, family


def most_cylinders(session: Session, fleet_id: int) -> int:
    """Return how many cylinders the largest engine of the fleet's families has, 0 without any."""
    table = PumpFamilyVersion
    statement = select(func.max(table.cylinders)).where(table.fleet_id == fleet_id)
    return session.scalar(statement) or 0


def _plain(text: ColumnElement[str]) -> ColumnElement[str]:
    return func.replace(func.replace(func.lower(text), " ", ""), "-", "")
