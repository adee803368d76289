"""One vehicle: its amendments, its history, the verdict on its pump."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import Response

from api.bodies import JsonBody
from api.calls import AnyCall, Call, ManagerCall
from api.dates import AsOf
from api.examples import VEHICLE_AMENDMENT
from api.once import Answer, OnceDep
from api.openapi import json_body, problems
from api.requests import VehicleAmendment
from api.shapes import (
    AcceptedShape,
    HistoryShape,
    VehicleVerdictShape,
    history_shape,
    remark_shape,
)
from api.slashes import PathName
from api.workshops import require_may_see
from fleetdb.cautions import CAUTIONS
from fleetdb.errors import InvalidInputError
from fleetdb.records.parsing import parse_as
from fleetdb.report.json_values import json_value
from fleetdb.store.amending import amend_vehicle
from fleetdb.store.queries import vehicle_history
from fleetdb.trend.one_vehicle import current_verdict

router = APIRouter(prefix="/v1/vehicles/{vehicle}")
VehicleNumber = Annotated[PathName, Path(description="The fleet number.")]


@router.post(
    "/amendments",
    tags=["documents"],
    summary="Describe a vehicle anew",
    status_code=201,
    response_model=AcceptedShape,
    responses={
        200: {"model": AcceptedShape, "description": "The vehicle is described so already."},
        **problems(403, 404, 409, 413, 415, 422),
    },
    openapi_extra=json_body(VehicleAmendment, VEHICLE_AMENDMENT),
)
def post_amendment(
    call: ManagerCall, once: OnceDep, vehicle: VehicleNumber, body: JsonBody
) -> Response:
    """Add a version of a vehicle's document, which rules from now on; the old one stays.

    The body is the whole document as it should be, with the reason for the change.
    """
    return once.answer(call, body, partial(_amend, call, vehicle, body))


def _amend(call: Call, vehicle: str, body: bytes) -> Answer:
    amendment = parse_as(VehicleAmendment, body)
    if amendment.vehicle != vehicle:
        raise InvalidInputError.at("/vehicle", f"differs from the address, which names {vehicle!r}")
    document, reason = amendment.vehicle_document(), amendment.reason
    with call.store.write() as session:
        amended = amend_vehicle(session, call.fleet_id, document, reason, call.actor)
    content = {
        "vehicle": amended.key,
        "outcome": "already_there" if amended.already_there else "accepted",
        "remarks": [remark_shape(remark) for remark in amended.remarks],
    }
    return Answer(200 if amended.already_there else 201, content)


@router.get(
    "/verdict",
    tags=["verdicts"],
    summary="The verdict on the vehicle's pump, worked out now",
    response_model=VehicleVerdictShape,
    responses=problems(403, 404, 422),
)
def get_verdict(call: AnyCall, vehicle: VehicleNumber, as_of: AsOf) -> dict[str, Any]:
    """Work the verdict out from everything received so far, or performed by `as_of`.

    A workshop's token may ask for vehicles it has sent a test record of. A verdict is
    advice; none declares a vehicle safe.
    """
    require_may_see(call, vehicle)
    moment = as_of or datetime.now(UTC)
    verdict = current_verdict(call.store, call.settings, call.fleet_id, vehicle, moment)
    return {"verdict": json_value(verdict), "cautions": list(CAUTIONS)}


@router.get(
    "/history",
    tags=["documents"],
    summary="Everything kept of one vehicle",
    response_model=HistoryShape,
    responses=problems(403, 404, 422),
)
def get_history(call: ManagerCall, vehicle: VehicleNumber) -> dict[str, Any]:
    """Give the vehicle's versions, fitments, test records and findings, each in time order.

    Superseded and void records are among them, marked as such.
    """
    with call.store.read() as session:
        history = vehicle_history(session, call.fleet_id, vehicle)
    return {**history_shape(history), "cautions": list(CAUTIONS)}
