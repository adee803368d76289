"""The kits (gauges and adapter sets) that records name."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from api.calls import ManagerCall
from api.openapi import problems
from api.paging import PagingDep
from api.shapes import PageShape, kit_shape
from fleetdb.store.kits import list_kits

router = APIRouter(prefix="/v1/kits", tags=["verdicts"])


@router.get(
    "",
    summary="List the kits",
    response_model=PageShape,
    responses=problems(403, 404, 422),
)
def get_kits(call: ManagerCall, paging: PagingDep) -> Response:
    """List every kit by name, with its use and its last calibration."""
    with call.store.read() as session:
        kits = list_kits(session, call.fleet_id, paging.after_text(), paging.rows_wanted)
    return paging.answer(kits, kit_shape, lambda kit: [kit.kit])
