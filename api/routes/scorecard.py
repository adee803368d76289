"""How well past verdicts called it."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse, Response

from api.calls import ManagerCall
from api.months import MonthsDep
from api.openapi import problems
from api.shapes import ScorecardShape, UnderwayShape
from fleetdb.report.scorecards import Asked, Finished

RETRY_AFTER_S = 5

router = APIRouter(prefix="/v1/scorecard", tags=["verdicts"])


@router.get(
    "",
    summary="How well past month ends called it",
    response_model=ScorecardShape,
    responses={
        202: {
            "model": UnderwayShape,
            "description": "It is being worked out: ask again after Retry-After seconds.",
        },
        **problems(403, 404, 422),
    },
)
def get_scorecard(call: ManagerCall, months: MonthsDep) -> Response:
    """Replay each month end, seeing only what was known by then, and keep score.

    Failures and calls are judged by the findings workshops recorded, probabilities and
    limit dates by later tests as well. A replay takes a while: the first answer is 202.
    Left out, `from` and `to` are the last 24 whole months.
    """
    snapshot = call.services.published.current(call.fleet_id)
    first, last = months
    answer = call.services.scorecards.card(Asked(call.fleet_id, first, last), snapshot)
    span = {"from": f"{first[0]}-{first[1]:02}", "to": f"{last[0]}-{last[1]:02}"}
    if isinstance(answer, Finished):
        newest = answer.snapshot == snapshot
        return JSONResponse(
            {**span, "snapshot": answer.snapshot, "is_newest": newest, **answer.card}
        )
    content = {
        **span,
        "status": "being worked out; ask again",
        "months_done": answer.months_done,
        "months": answer.months,
    }
    return JSONResponse(content, 202, {"Retry-After": str(RETRY_AFTER_S)})
