"""A workshop's first page: record a test, its last records, its vehicles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi.responses import Response

from api.pages.record_test import whose
from api.pages.rendering import page
from api.pages.routing import page_router
from api.pages.visits import AnyVisit
from api.workshops import poster_of
from fleetdb.cautions import VERDICT_CAUTION, WORKING_CAUTIONS
from fleetdb.store.recent_records import recent_records, recent_vehicles
from fleetdb.trend.states import State

router = page_router()

_RECORDS = 10
_VEHICLES_OF_RECORDS = 100


_MOST_URGENT_FIRST = {state.word: -state for state in State}


@router.get("/workshop")
def get_workshop(visit: AnyVisit) -> Response:
    """Show what a workshop did last and how its vehicles stand; a manager sees all workshops'."""
    call = visit.call
    poster = poster_of(call)
    with call.store.read() as session:
        records = recent_records(session, call.fleet_id, poster, _RECORDS)
        vehicles = recent_vehicles(session, call.fleet_id, poster, _VEHICLES_OF_RECORDS)
    verdicts = call.services.published.of_vehicles(call.fleet_id, vehicles)
    context = {
        "visit": visit,
        "title": "Workshop",
        "records": records,
        "vehicles": sorted(vehicles, key=lambda vehicle: _urgency(verdicts.get(vehicle))),
        "verdicts": verdicts,
        "n_records": _VEHICLES_OF_RECORDS,
        "cautions": WORKING_CAUTIONS,
        "verdict_caution": VERDICT_CAUTION,
        "whose": whose(visit),
    }
    return page("workshop.html", context)


def _urgency(verdict: Mapping[str, Any] | None) -> int:
    # A vehicle that is not judged yet stands with those of which too little is known.
    return _MOST_URGENT_FIRST[State.UNPROVEN.word if verdict is None else verdict["state"]]
