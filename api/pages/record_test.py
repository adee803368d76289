"""Recording a test: find the vehicle, fill in the form, see the receipt."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any
from urllib.parse import urlencode
from uuid import UUID

from fastapi import Query
from fastapi.responses import Response

from api.pages.record_fields import Attempt, attempt_of, check, send, units_of
from api.pages.rendering import page
from api.pages.routing import page_router
from api.pages.visits import AnyVisit, FormFields, Visit, require_form_key
from api.workshops import poster_of, require_own
from fleetdb.cautions import VERDICT_CAUTION, WORKING_CAUTIONS
from fleetdb.errors import NotFoundError, SameIdOtherBodyError
from fleetdb.records.documents import PumpFamily, TestRecord, Vehicle
from fleetdb.records.typed_record import ENTRIES, inside_unit, typed_texts
from fleetdb.report.receipt import figures_json, stored_receipt
from fleetdb.store.kits import kit_names, workshop_names
from fleetdb.store.queries import record_view
from fleetdb.store.recent_records import last_record
from fleetdb.store.vehicle_lookup import SHORTEST_PART, find_vehicles, vehicle_and_family
from fleetdb.units import UNITS, Quantity

router = page_router()

_LISTED = 10
_TITLE = "Record a test"
Text = Annotated[str, Query(max_length=80)]


@router.get("/record")
def get_record(
    visit: AnyVisit,
    find: Text = "",
    vehicle: Text = "",
    record: UUID | None = None,
    corrects: UUID | None = None,
    pressure_unit: Text = "",
    volume_unit: Text = "",
    distance_unit: Text = "",
    temperature_unit: Text = "",
) -> Response:
    """Ask which vehicle it is or, when that is known, show the form.

    ``record`` continues a form under the id it was begun with; ``corrects`` is the stored
    record that the new one is to stand in for.
    """
    if not vehicle:
        return _find(visit, find)
    fields = {
        "record_id": str(record or uuid.uuid4()),
        "vehicle": vehicle,
        "performed_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M}",
        "utc_offset": "+00:00",
        "pressure_unit": pressure_unit,
        "volume_unit": volume_unit,
        "distance_unit": distance_unit,
        "temperature_unit": temperature_unit,
    }
    if corrects is not None:
        fields |= _fields_of(visit, corrects, vehicle)
    return _form(visit, fields)


def _find(visit: Visit, find: str) -> Response:
    with visit.call.store.read() as session:
        found = find_vehicles(session, visit.call.fleet_id, find, _LISTED + 1)
    context = {
        "visit": visit,
        "title": _TITLE,
        "find": find,
        "found": found[:_LISTED],
        "there_are_more": len(found) > _LISTED,
        "shortest_part": SHORTEST_PART,
        "cautions": WORKING_CAUTIONS,
        "whose": whose(visit),
    }
    return page("record_find.html", context)


@router.post("/record")
def post_record(visit: AnyVisit, form: FormFields) -> Response:
    """Store what the form says and show the receipt, or say at the fields what to mend.

    With ``intent`` check nothing is stored.
    """
    require_form_key(form, visit.secret)
    call = visit.call
    _, family = _vehicle(visit, form.get("vehicle", ""))
    with call.store.read() as session:
        kits = kit_names(session, call.fleet_id)
    attempt = attempt_of(call, form, family, kits)
    if form.get("intent") == "check":
        check(call, attempt)
        return _form(visit, form, attempt, "checked")
    received = send(call, attempt)
    if isinstance(received, SameIdOtherBodyError):
        # It was stored before, and has been changed since: its sender must say what it is.
        fields = {**form, "record_id": str(uuid.uuid4())}
        return _form(visit, fields, attempt, "other_contents", stored=received.existing_id)
    if received is None or attempt.record is None:
        return _form(visit, form, attempt, "refused")
    context = _receipt_context(visit, attempt.record, form, attempt) | {
        "figures": received.receipt["figures"],
        "remarks": received.receipt["remarks"],
        "verdict": received.receipt["verdict"],
        "told_then": True,
        "already_there": received.already_there,
        "withdrawn": None,
    }
    return page("record_receipt.html", context, 200 if received.already_there else 201)


@router.get("/record/{record_id}")
def get_receipt(visit: AnyVisit, record_id: UUID) -> Response:
    """Show the receipt of a stored test; a workshop sees its own."""
    call = visit.call
    with call.store.read() as session:
        stored = stored_receipt(session, call.fleet_id, record_id)
    view = stored.view
    require_own(call, view)
    now = call.services.published.of_vehicles(call.fleet_id, [view.document.vehicle])
    context = _receipt_context(visit, view.document, {}, None) | {
        "figures": figures_json(view.figures),
        "remarks": [{"pointer": r.pointer, "detail": r.detail} for r in view.remarks],
        "verdict": stored.verdict or now.get(view.document.vehicle),
        "told_then": stored.verdict is not None,
        "already_there": False,
        "withdrawn": view.void_reason,
        "superseded_by": view.superseded_by,
    }
    return page("record_receipt.html", context)


def whose(visit: Visit) -> str:
    """Return whose drafts a browser may show: another workshop's stay out of sight."""
    caller = visit.call.caller
    name = caller.workshop_name or f"token {caller.token_id}"
    return f"{visit.call.fleet}/{caller.role.value}/{name}"


def _vehicle(visit: Visit, vehicle: str) -> tuple[Vehicle, PumpFamily]:
    with visit.call.store.read() as session:
        return vehicle_and_family(session, visit.call.fleet_id, vehicle, datetime.now(UTC).date())


def _fields_of(visit: Visit, record_id: UUID, vehicle: str) -> dict[str, str]:
    with visit.call.store.read() as session:
        view = record_view(session, visit.call.fleet_id, record_id)
    require_own(visit.call, view)
    if view.document.vehicle != vehicle:
        raise NotFoundError("test record", str(record_id))
    return {
        **typed_texts(view.document),
        "performed_at": f"{view.document.performed_at:%Y-%m-%dT%H:%M:%S}",
        "supersedes": str(record_id),
    }


def _form(
    visit: Visit,
    fields: Mapping[str, str],
    attempt: Attempt | None = None,
    outcome: str = "form",
    *,
    stored: str | None = None,
) -> Response:
    call = visit.call
    vehicle, family = _vehicle(visit, fields.get("vehicle", ""))
    with call.store.read() as session:
        kits = kit_names(session, call.fleet_id)
        workshops = workshop_names(session, call.fleet_id) if visit.is_manager else []
        last = last_record(session, call.fleet_id, vehicle.vehicle, poster_of(call))
    told = {} if attempt is None else attempt.told
    units = units_of(fields)
    wrong = {name for name, said in told.items() if any(t.kind == "wrong" for t in said)}
    context = {
        "visit": visit,
        "title": _TITLE,
        "outcome": outcome,
        # What the browser sent: by it the script knows that the answer is to its question.
        "answers": stored or fields.get("record_id", ""),
        "stored": stored,
        "fields": defaultdict(str, fields),
        "told": told,
        "wrong": sorted(wrong, key=_place),
        "labels": _LABELS,
        "vehicle": vehicle,
        "family": family,
        "target": _in_each_unit(family.proof_target_bar),
        "last": last,
        "kits": kits,
        "workshops": workshops,
        "own_workshop": call.caller.workshop_name,
        "entries": ENTRIES,
        "unit_choices": [
            (quantity.value, units[quantity].name, list(UNITS[quantity])) for quantity in UNITS
        ],
        "unit_names": {quantity.value: unit.name for quantity, unit in units.items()},
        "cautions": WORKING_CAUTIONS,
        "whose": whose(visit),
    }
    return page("record_form.html", context, _STATUS[outcome])


_STATUS = {"form": 200, "checked": 200, "refused": 422, "other_contents": 409}
_LABELS = {
    "performed_at": "Performed at",
    "utc_offset": "Clock",
    "kit_new": "Name of a new kit",
    **{name: entry.label for name, entry in ENTRIES.items()},
}
_PLACES = {name: place for place, name in enumerate(_LABELS)}


def _place(name: str) -> int:
    return _PLACES.get(name, -1)


def _in_each_unit(pressure_bar: float) -> str:
    units = UNITS[Quantity.PRESSURE].values()
    return " = ".join(f"{_short(unit.outside(pressure_bar))} {unit.name}" for unit in units)


def _short(value: float) -> str:
    return f"{value:,.0f}" if value >= 1_000 else f"{value:.4g}"


def _receipt_context(
    visit: Visit, record: TestRecord, fields: Mapping[str, str], attempt: Attempt | None
) -> dict[str, Any]:
    units = units_of(fields)
    converted = {} if attempt is None else attempt.typed.converted
    entries = []
    for name, text in typed_texts(record).items():
        entry, typed = ENTRIES[name], ""
        if name in converted and entry.quantity is not None:
            typed = f"{fields[name]} {units[entry.quantity].name}{'/s' if entry.per_s else ''}"
        shown = text if entry.is_text else f"{float(text):.7g}"
        entries.append((entry.label, shown, inside_unit(entry), typed))
    return {
        "visit": visit,
        "title": "Receipt",
        "record": record,
        "stored_entries": entries,
        "has_typed": attempt is not None,
        "next_units": urlencode({f"{q.value}_unit": unit.name for q, unit in units.items()}),
        "superseded_by": None,
        "verdict_caution": VERDICT_CAUTION,
        "cautions": WORKING_CAUTIONS,
    }
