"""How each kind of document is found again, judged and inserted, a batch at a time."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar, Generic, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import InstrumentedAttribute, Session

from fleetdb.records import plausibility
from fleetdb.records.documents import (
    Document,
    Finding,
    Fitment,
    Kind,
    KitCalibration,
    PumpFamily,
    Vehicle,
)
from fleetdb.records.plausibility import Remark
from fleetdb.store import rows
from fleetdb.store.inserting import insert_new
from fleetdb.store.lookup import KnownFleet, known_fleet, register_names
from fleetdb.store.past_effects import back_dated
from fleetdb.store.tables import (
    Depot,
    FindingRow,
    FitmentRow,
    Kit,
    KitCalibrationRow,
    PumpFamilyVersion,
    VehicleIdentity,
    VehicleVersion,
)

D = TypeVar("D", bound=Document)


@dataclass(frozen=True, slots=True)
class Stored:
    """What is stored under a key: its row, and every digest that counts as the same contents."""

    row_id: int
    digests: frozenset[str]


@dataclass(frozen=True, slots=True)
class Planned(Generic[D]):
    """A new document that has passed its checks and is to be inserted."""

    document: D
    digest: str
    remarks: list[Remark]


class Intake(ABC, Generic[D]):
    """One batch of one kind. Made for the batch, thrown away after it."""

    kind: ClassVar[Kind]
    id_field: ClassVar[str]

    def __init__(
        self, session: Session, fleet_id: int, token_id: int | None, now: datetime
    ) -> None:
        self.session = session
        self.fleet_id = fleet_id
        self.token_id = token_id
        self.now = now
        self.fleet = KnownFleet({}, {})

    def key(self, document: D) -> Hashable:
        """Return what identifies the document in its fleet."""
        return getattr(document, self.id_field)

    def key_text(self, document: D) -> str:
        """Return the id that the sender gave the document, as text."""
        return str(self.key(document))

    def title(self, document: D) -> str:
        """Return what a message calls the document."""
        return self.key_text(document)

    @abstractmethod
    def stored(self, documents: Iterable[D]) -> dict[Hashable, Stored]:
        """Return what is stored under the documents' keys."""

    @abstractmethod
    def fetch(self, documents: Sequence[D]) -> None:
        """Fetch what the checks of these documents need."""

    @abstractmethod
    def check(self, document: D) -> plausibility.Findings:
        """Return problems and remarks of a document whose key is new."""

    def plan(self, document: D) -> None:
        """Note a document that will be inserted, for the checks of those after it."""

    @abstractmethod
    def insert(self, planned: Sequence[Planned[D]]) -> dict[Hashable, int]:
        """Insert the documents and return their rows; one a rival inserted first is left out."""

    def lost(self, document: D) -> str:
        """Say why a document was left out although nothing is stored under its key."""
        return "clashes with a document stored at the same moment; send it again"

    def remarks(self, there: dict[int, D]) -> dict[int, list[Remark]]:
        """Return the remarks, by row, of documents that are already there."""
        return {}

    def _received(self, entry: Planned[D]) -> dict[str, Any]:
        return rows.received(self.fleet_id, self.now, entry.digest)


class PumpFamilyIntake(Intake[PumpFamily]):
    """Versions of pump families, by name and the date they apply from."""

    kind = Kind.PUMP_FAMILIES
    id_field = "pump_family"

    def key(self, document: PumpFamily) -> Hashable:
        return document.pump_family, document.applies_from

    def key_text(self, document: PumpFamily) -> str:
        return document.pump_family

    def title(self, document: PumpFamily) -> str:
        return f"{document.pump_family} from {document.applies_from or 'the beginning'} on"

    def stored(self, documents: Iterable[PumpFamily]) -> dict[Hashable, Stored]:
        table = PumpFamilyVersion
        found = self.session.execute(
            select(table.pump_family, table.applies_from, table.id, table.digest).where(
                table.fleet_id == self.fleet_id,
                table.pump_family.in_({document.pump_family for document in documents}),
            )
        )
        return {
            (name, applies_from): Stored(row_id, frozenset((digest,)))
            for name, applies_from, row_id, digest in found
        }

    def fetch(self, documents: Sequence[PumpFamily]) -> None:
        names = {document.pump_family for document in documents}
        self.fleet = known_fleet(self.session, self.fleet_id, (), names)

    def check(self, document: PumpFamily) -> plausibility.Findings:
        return [], self._back_dated(document, self.now)

    def plan(self, document: PumpFamily) -> None:
        self.fleet.add_family(document)

    def remarks(self, there: dict[int, PumpFamily]) -> dict[int, list[Remark]]:
        # Not kept: they follow from what was stored when the version came.
        self.fetch(list(there.values()))
        received = self.session.execute(
            select(PumpFamilyVersion.id, PumpFamilyVersion.received_at).where(
                PumpFamilyVersion.id.in_(there)
            )
        )
        return {row_id: self._back_dated(there[row_id], at) for row_id, at in received}

    def _back_dated(self, document: PumpFamily, received_at: datetime) -> list[Remark]:
        versions = self.fleet.versions(document.pump_family)
        others = [v for v in versions if v.applies_from != document.applies_from]
        return back_dated(self.session, self.fleet_id, document, others, received_at)

    def insert(self, planned: Sequence[Planned[PumpFamily]]) -> dict[Hashable, int]:
        table = PumpFamilyVersion
        inserted = insert_new(
            self.session,
            table,
            [{**self._received(p), **rows.pump_family_values(p.document)} for p in planned],
            [table.id, table.pump_family, table.applies_from],
        )
        return {(name, applies_from): row_id for row_id, name, applies_from in inserted}


class VehicleIntake(Intake[Vehicle]):
    """Vehicles: an identity, and a version of what is said of it."""

    kind = Kind.VEHICLES
    id_field = "vehicle"

    def stored(self, documents: Iterable[Vehicle]) -> dict[Hashable, Stored]:
        found = self.session.execute(
            select(VehicleIdentity.vehicle, VehicleVersion.id, VehicleVersion.digest)
            .join(VehicleVersion, VehicleVersion.vehicle_id == VehicleIdentity.id)
            .where(
                VehicleIdentity.fleet_id == self.fleet_id,
                VehicleIdentity.vehicle.in_({document.vehicle for document in documents}),
            )
            .order_by(VehicleVersion.id)
        )
        stored: dict[Hashable, Stored] = {}
        for vehicle, row_id, digest in found:
            before = stored[vehicle].digests if vehicle in stored else frozenset()
            stored[vehicle] = Stored(row_id, before | {digest})
        return stored

    def fetch(self, documents: Sequence[Vehicle]) -> None:
        families = {document.pump_family for document in documents}
        self.fleet = known_fleet(self.session, self.fleet_id, (), families)

    def check(self, document: Vehicle) -> plausibility.Findings:
        known = self.fleet.has_family(document.pump_family)
        return plausibility.check_vehicle(document, known, self.now)

    def insert(self, planned: Sequence[Planned[Vehicle]]) -> dict[Hashable, int]:
        identities = insert_new(
            self.session,
            VehicleIdentity,
            [{"fleet_id": self.fleet_id, "vehicle": p.document.vehicle} for p in planned],
            [VehicleIdentity.id, VehicleIdentity.vehicle],
        )
        vehicle_ids = {vehicle: row_id for row_id, vehicle in identities}
        new = [p for p in planned if p.document.vehicle in vehicle_ids]
        return self.insert_versions(new, vehicle_ids, None)

    def remarks(self, there: dict[int, Vehicle]) -> dict[int, list[Remark]]:
        # Not kept: they follow from the document alone.
        return {row_id: self.check(document)[1] for row_id, document in there.items()}

    def insert_versions(
        self,
        planned: Sequence[Planned[Vehicle]],
        vehicle_ids: dict[str, int],
        reason: str | None,
    ) -> dict[Hashable, int]:
        """Insert a version of each vehicle, whose identity is there."""
        depots = register_names(
            self.session, Depot, self.fleet_id, (p.document.depot for p in planned), self.now
        )
        values = [
            {
                **self._received(p),
                **rows.vehicle_values(p.document, vehicle_ids[p.document.vehicle], depots, reason),
            }
            for p in planned
        ]
        versions = insert_new(
            self.session, VehicleVersion, values, [VehicleVersion.id, VehicleVersion.vehicle_id]
        )
        names = {row_id: vehicle for vehicle, row_id in vehicle_ids.items()}
        return {names[vehicle_id]: row_id for row_id, vehicle_id in versions}


class _ByUuid(Intake[D]):
    """Kinds whose key is one UUID that the sender chose."""

    table: ClassVar[Any]

    def stored(self, documents: Iterable[D]) -> dict[Hashable, Stored]:
        column: InstrumentedAttribute[Any] = getattr(self.table, self.id_field)
        found = self.session.execute(
            select(column, self.table.id, self.table.digest).where(
                self.table.fleet_id == self.fleet_id,
                column.in_({self.key(document) for document in documents}),
            )
        )
        return {key: Stored(row_id, frozenset((digest,))) for key, row_id, digest in found}

    def _insert(self, values: Sequence[dict[str, Any]]) -> dict[Hashable, int]:
        column: InstrumentedAttribute[Any] = getattr(self.table, self.id_field)
        inserted = insert_new(self.session, self.table, values, [self.table.id, column])
        return {key: row_id for row_id, key in inserted}


class KitCalibrationIntake(_ByUuid[KitCalibration]):
    """Calibrations of kits; a kit is registered when first named."""

    kind = Kind.KIT_CALIBRATIONS
    id_field = "calibration_id"
    table = KitCalibrationRow

    def fetch(self, documents: Sequence[KitCalibration]) -> None:
        """A calibration stands on its own."""

    def check(self, document: KitCalibration) -> plausibility.Findings:
        return plausibility.check_kit_calibration(document, self.now)

    def insert(self, planned: Sequence[Planned[KitCalibration]]) -> dict[Hashable, int]:
        kits = register_names(
            self.session, Kit, self.fleet_id, (p.document.kit for p in planned), self.now
        )
        return self._insert(
            [
                {**self._received(p), **rows.kit_calibration_values(p.document, kits)}
                for p in planned
            ]
        )


class OfVehicle(_ByUuid[D]):
    """Kinds that tell of one vehicle."""

    def fetch(self, documents: Sequence[D]) -> None:
        vehicles = {self._vehicle(document) for document in documents}
        self.fleet = known_fleet(self.session, self.fleet_id, vehicles)

    def _vehicle(self, document: D) -> str:
        return getattr(document, "vehicle")  # noqa: B009 - not every Document has one

    def _vehicle_row(self, document: D) -> int:
        vehicle = self.fleet.vehicle(self._vehicle(document))
        if vehicle is None:
            raise LookupError("planned without its vehicle")
        return vehicle.row_id

    def _vehicle_and_family(
        self, document: D, moment: datetime
    ) -> tuple[Vehicle | None, PumpFamily | None]:
        known = self.fleet.vehicle(self._vehicle(document))
        if known is None:
            return None, None
        return known.document, self.fleet.family(known.document.pump_family, moment.date())


class FitmentIntake(OfVehicle[Fitment]):
    """Parts put on vehicles."""

    kind = Kind.FITMENTS
    id_field = "fitment_id"
    table = FitmentRow

    def check(self, document: Fitment) -> plausibility.Findings:
        vehicle, family = self._vehicle_and_family(document, document.fitted_at)
        return plausibility.check_fitment(document, vehicle, family, self.now)

    def insert(self, planned: Sequence[Planned[Fitment]]) -> dict[Hashable, int]:
        return self._insert(
            [
                {
                    **self._received(p),
                    **rows.fitment_values(p.document, self._vehicle_row(p.document)),
                }
                for p in planned
            ]
        )


class FindingIntake(OfVehicle[Finding]):
    """What was found of parts."""

    kind = Kind.FINDINGS
    id_field = "finding_id"
    table = FindingRow

    def check(self, document: Finding) -> plausibility.Findings:
        vehicle, _ = self._vehicle_and_family(document, document.found_at)
        return plausibility.check_finding(document, vehicle, self.now)

    def insert(self, planned: Sequence[Planned[Finding]]) -> dict[Hashable, int]:
        return self._insert(
            [
                {
                    **self._received(p),
                    **rows.finding_values(p.document, self._vehicle_row(p.document)),
                }
                for p in planned
            ]
        )
