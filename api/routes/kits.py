"""The kits (gauges and adapter sets) that records name."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.calls import ManagerCall
from api.openapi import problems
from api.paging import PagingDep
from api.shapes import KitPageShape
from fleetdb.report.kit_list import kit_json, kit_standings, kits_after
from fleetdb.store.kits import list_kits

router = APIRouter(prefix="/v1/kits", tags=["verdicts"])


@router.get(
    "",
    summary="List the kits, and how each reads",
    response_model=KitPageShape,
    responses=problems(403, 404, 422),
)
def get_kits(
    call: ManagerCall,
    paging: PagingDep,
    reads_off: Annotated[
        bool | None, Query(description="Only kits that read off (true), or only the others.")
    ] = None,
) -> Response:
    """List the kits by name: use, last calibration and, by the newest snapshot, their bias.

    A bias is told from vehicles that several kits have tested; verdicts allow for it.
    """
    judged = call.services.published.kits(call.fleet_id)
    with call.store.read() as session:
        uses = list_kits(session, call.fleet_id)
    standings = kit_standings(uses, judged.kits if judged else None)
    return paging.answer(
        kits_after(standings, paging.after_text(), reads_off, paging.rows_wanted),
        kit_json,
        lambda kit: [kit.kit],
        {
            "as_of": judged.as_of if judged else None,
            "snapshot": judged.snapshot if judged else None,
        },
    )
