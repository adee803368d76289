"""The action list: verdicts on every fitted pump of the fleet."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.calls import ManagerCall
from api.dates import AsOf
from api.openapi import problems
from api.paging import PagingDep
from api.shapes import VerdictPageShape, verdict_shape
from fleetdb.cautions import CAUTIONS
from fleetdb.report.verdict_list import (
    StateWord,
    VerdictFilter,
    VerdictOrder,
    to_act_on,
    verdict_page,
)
from fleetdb.timestamps import format_rfc3339

router = APIRouter(prefix="/v1/verdicts", tags=["verdicts"])


@router.get(
    "",
    summary="List the verdicts, most urgent first",
    response_model=VerdictPageShape,
    responses=problems(403, 404, 422),
)
def get_verdicts(
    call: ManagerCall,
    paging: PagingDep,
    as_of: AsOf,
    state: Annotated[list[StateWord], Query(description="Only these states.")] = [],  # noqa: B006
    depot: Annotated[list[str], Query(description="Only these depots.")] = [],  # noqa: B006
    pump_family: Annotated[list[str], Query(description="Only these families.")] = [],  # noqa: B006
    leading_cause: Annotated[list[str], Query(description="Only these causes.")] = [],  # noqa: B006
    sort: Annotated[
        VerdictOrder, Query(description="By what they are ordered; then by vehicle.")
    ] = VerdictOrder.URGENCY,
) -> Response:
    """List the newest published verdicts, or with `as_of` those of a past date.

    All pages of one list come from one snapshot and one moment, whatever is published
    meanwhile.
    A verdict is advice; none declares a vehicle safe.
    """
    published = call.services.published
    mark = paging.after_verdict()
    snapshot = mark.snapshot if mark else published.current(call.fleet_id)
    moment = mark.as_of if mark else as_of
    verdicts = published.verdicts(call.fleet_id, snapshot, moment)
    wanted = VerdictFilter(state, depot, pump_family, leading_cause)
    after = mark.after if mark else None
    acted, needless = to_act_on(verdicts.verdicts)
    rows = verdict_page(verdicts.verdicts, wanted, sort, after, paging.rows_wanted)
    began = [snapshot, moment and format_rfc3339(moment)]
    return paging.answer(
        rows,
        verdict_shape,
        lambda row: [*began, row["rank"], row["vehicle"]],
        {
            "as_of": verdicts.as_of,
            "snapshot": snapshot,
            "to_act_on": acted,
            "expected_needless": needless,
            "cautions": list(CAUTIONS),
        },
    )
