"""Recording on a vehicle's page what was fitted or found, and withdrawing what was wrong."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any
from uuid import UUID

from fastapi import Path
from fastapi.responses import RedirectResponse, Response

from api.pages.clocks import UTC_OFFSET, moment_of
from api.pages.forms import Refused, all_of, attempt, number_of
from api.pages.rendering import HEADERS, in_words, page, vehicle_address
from api.pages.routing import page_router
from api.pages.vehicle import VehiclePath
from api.pages.visits import AnyVisit, FormFields, ManagerVisit, Visit, require_form_key
from api.workshops import require_may_see
from fleetdb.cautions import WORKING_CAUTIONS
from fleetdb.errors import NotFoundError
from fleetdb.records.documents import Kind, Outcome, Part
from fleetdb.records.parsing import parse_document
from fleetdb.records.typed_record import unit_called
from fleetdb.store.amending import void_document
from fleetdb.store.by_id import stored_document
from fleetdb.store.ingest import Accepted, accept
from fleetdb.store.stored_documents import StoredDocument
from fleetdb.units import UNITS, Quantity

router = page_router()

_UNIT = "distance_unit"


@dataclass(frozen=True, slots=True)
class Sort:
    """One sort of event: its document, its form's fields, and what the page calls it."""

    kind: Kind
    id_field: str
    time_field: str
    title: str
    stored: str
    template: str
    texts: tuple[str, ...]
    numbers: tuple[str, ...]

    @property
    def names(self) -> frozenset[str]:
        """The form's fields by name."""
        return frozenset((self.time_field, UTC_OFFSET, _UNIT, *self.texts, *self.numbers))


class EventPath(StrEnum):
    """The events of a vehicle, by the part of the address that names them."""

    FITMENTS = "fitments"
    FINDINGS = "findings"


_SORTS = {
    EventPath.FITMENTS: Sort(
        kind=Kind.FITMENTS,
        id_field="fitment_id",
        time_field="fitted_at",
        title="Record what was fitted",
        stored="fitment",
        template="fitment_form.html",
        texts=("part", "serial", "reason"),
        numbers=("cylinder", "odometer_km"),
    ),
    EventPath.FINDINGS: Sort(
        kind=Kind.FINDINGS,
        id_field="finding_id",
        time_field="found_at",
        title="Record what was found",
        stored="finding",
        template="finding_form.html",
        texts=("part", "outcome", "note"),
        numbers=("odometer_km",),
    ),
}
_CHOICES = {
    "distance_units": list(UNITS[Quantity.DISTANCE]),
    "parts": [("", "choose"), *((part.value, in_words(part.value)) for part in Part)],
    "outcomes": [("", "choose"), *((told.value, in_words(told.value)) for told in Outcome)],
}


class WithdrawnPath(StrEnum):
    """What can be withdrawn, by the part of the address that names it."""

    TEST_RECORDS = "test-records"
    FITMENTS = "fitments"
    FINDINGS = "findings"

    @property
    def kind(self) -> Kind:
        return Kind(self.value.replace("-", "_"))


@router.get("/vehicles/{vehicle}/{events}/new")
def get_event_form(visit: AnyVisit, vehicle: VehiclePath, events: EventPath) -> Response:
    """Show an empty form. Its id is chosen now, so that sending it twice stores once."""
    _require_vehicle(visit, vehicle)
    sort = _SORTS[events]
    fresh = {sort.id_field: str(uuid.uuid4()), UTC_OFFSET: "+00:00"}
    return _form(visit, vehicle, sort, fresh, Refused(200))


@router.post("/vehicles/{vehicle}/{events}")
def post_event(
    visit: AnyVisit, vehicle: VehiclePath, events: EventPath, form: FormFields
) -> Response:
    """Store what was fitted or found and go back to the vehicle, or say what is wrong."""
    require_form_key(form, visit.secret)
    _require_vehicle(visit, vehicle)
    sort = _SORTS[events]
    outcome = attempt(lambda: _store(visit, vehicle, sort, form), sort.names)
    if isinstance(outcome, Refused):
        return _form(visit, vehicle, sort, form, outcome)
    told = "already_there" if outcome.already_there else "accepted"
    visit.call.services.metrics.count_document(sort.kind.value, told)
    return _back(vehicle, sort.stored)


def _require_vehicle(visit: Visit, vehicle: str) -> None:
    """Let a workshop near vehicles it has tested, and others near any that there is."""
    call = visit.call
    require_may_see(call, vehicle)
    with call.store.read() as session:
        stored_document(session, call.fleet_id, Kind.VEHICLES, vehicle)


def _store(visit: Visit, vehicle: str, sort: Sort, form: dict[str, str]) -> Accepted:
    call = visit.call
    document = parse_document(sort.kind, _values(vehicle, sort, form))
    with call.store.write() as session:
        return accept(session, call.fleet_id, sort.kind, document, call.actor, call.caller.token_id)


def _values(vehicle: str, sort: Sort, form: dict[str, str]) -> dict[str, Any]:
    """Return the document a form describes; fields left empty are not in it."""

    distance = unit_called(Quantity.DISTANCE, form.get(_UNIT, ""))

    def number(name: str) -> Callable[[], tuple[str, Any]]:
        unit = distance if name == "odometer_km" else None
        return lambda: (name, number_of(form, name, unit))

    read = all_of(
        lambda: (sort.time_field, moment_of(form, sort.time_field)),
        *(number(name) for name in sort.numbers),
    )
    texts = [(name, form.get(name) or None) for name in (sort.id_field, *sort.texts)]
    given = {name: value for name, value in (*read, *texts) if value is not None}
    return {"vehicle": vehicle, **given}


def _form(
    visit: Visit, vehicle: str, sort: Sort, typed: dict[str, str], refused: Refused
) -> Response:
    shown = {name: typed.get(name, "") for name in (*sort.names, sort.id_field)}
    if refused.sent_before:
        shown[sort.id_field] = str(uuid.uuid4())
    context = {
        "visit": visit,
        "title": f"{sort.title}: {vehicle}",
        "vehicle": vehicle,
        "address": vehicle_address(vehicle),
        "id_field": sort.id_field,
        "typed": shown,
        "refused": refused,
        "is_fresh": refused.status == 200,
        "working_cautions": WORKING_CAUTIONS,
        **_CHOICES,
    }
    return page(sort.template, context, refused.status)


@router.get("/vehicles/{vehicle}/withdraw/{what}/{document_id}")
def get_withdrawal_form(
    visit: ManagerVisit,
    vehicle: VehiclePath,
    what: WithdrawnPath,
    document_id: Annotated[UUID, Path()],
) -> Response:
    """Show what would be withdrawn, and ask for the reason."""
    found = _own(visit, vehicle, what.kind, document_id)
    return _withdrawal_form(visit, vehicle, found, "", Refused(200))


@router.post("/vehicles/{vehicle}/withdraw/{what}/{document_id}")
def post_withdrawal(
    visit: ManagerVisit,
    vehicle: VehiclePath,
    what: WithdrawnPath,
    document_id: Annotated[UUID, Path()],
    form: FormFields,
) -> Response:
    """Withdraw a test, fitment or finding with the reason; it stays, and is used no more."""
    require_form_key(form, visit.secret)
    found = _own(visit, vehicle, what.kind, document_id)
    call, reason = visit.call, form.get("reason", "")

    def withdraw() -> None:
        with call.store.write() as session:
            void_document(session, call.fleet_id, what.kind, document_id, reason, call.actor)

    refused = attempt(withdraw, frozenset({"reason"}))
    if isinstance(refused, Refused):
        return _withdrawal_form(visit, vehicle, found, reason, refused)
    return _back(vehicle, "withdrawn")


def _own(visit: Visit, vehicle: str, kind: Kind, document_id: UUID) -> StoredDocument:
    """Return a document of this vehicle; of another it looks as if there were none."""
    call = visit.call
    with call.store.read() as session:
        found = stored_document(session, call.fleet_id, kind, document_id)
    if found.document.model_dump()["vehicle"] != vehicle:
        raise NotFoundError(in_words(kind.value), str(document_id))
    return found


def _withdrawal_form(
    visit: Visit, vehicle: str, found: StoredDocument, reason: str, refused: Refused
) -> Response:
    told = found.document.model_dump(mode="json", exclude_none=True, exclude={"vehicle"})
    context = {
        "visit": visit,
        "title": f"Withdraw from {vehicle}",
        "address": vehicle_address(vehicle),
        "found": found,
        "told": [(in_words(name), value) for name, value in told.items()],
        "typed": {"reason": reason},
        "refused": refused,
    }
    return page("withdrawal_form.html", context, refused.status)


def _back(vehicle: str, stored: str) -> Response:
    address = f"{vehicle_address(vehicle)}?stored={stored}"
    return RedirectResponse(address, 303, HEADERS)
