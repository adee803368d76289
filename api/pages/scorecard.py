"""How well past month ends called it, and what their probabilities were worth."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Query, Request
from fastapi.responses import Response

from api.months import months_query
from api.pages.pictures import picture
from api.pages.rendering import page
from api.pages.routing import page_router
from api.pages.visits import ManagerVisit, Visit
from fleetdb.errors import NotFoundError
from fleetdb.report.published import NoVerdictsYetError
from fleetdb.report.scorecards import Asked, Finished, Underway
from fleetdb.trend.backtest import Month

router = page_router()

NAME = "How well we called it"
_ADDRESS = "/scorecard"
_BRANCHES = (("pump_family", "Pump family"), ("leading_cause", "Leading cause"))


def _span(
    first: Annotated[str, Query(alias="from", max_length=7)] = "",
    last: Annotated[str, Query(alias="to", max_length=7)] = "",
) -> tuple[Month, Month]:
    return months_query(first or None, last or None)


SpanDep = Annotated[tuple[Month, Month], Depends(_span)]


@router.get(_ADDRESS)
def get_scorecard_page(visit: ManagerVisit, span: SpanDep) -> Response:
    """Show the scorecard or, while it is worked out, how far it is."""
    first, last = (f"{year}-{month:02}" for year, month in span)
    context: dict[str, Any] = {"visit": visit, "title": NAME, "first": first, "last": last}
    try:
        answer, snapshot = _card(visit, span)
    except NoVerdictsYetError:
        return page("no_verdicts.html", {**context, "will": "tells how well past verdicts did"})
    if isinstance(answer, Underway):
        return page("scorecard_underway.html", {**context, "underway": answer})
    return page(
        "scorecard.html",
        {
            **context,
            "card": answer.card,
            "is_newest": answer.snapshot == snapshot,
            "branches": _BRANCHES,
            # Another picture for another card, so that a browser shows no old one.
            "picture": f"{_ADDRESS}/calibration.svg?from={first}&to={last}&of={answer.snapshot}",
        },
    )


@router.get(f"{_ADDRESS}/calibration.svg")
def get_calibration_picture(request: Request, visit: ManagerVisit, span: SpanDep) -> Response:
    """Draw what was stated against what came."""
    # Drawing libraries take a second to import, which a server that draws nothing saves.
    from fleetdb.report.calibration_chart import calibration_svg

    answer, _ = _card(visit, span)
    if not isinstance(answer, Finished):
        raise NotFoundError("picture", "calibration.svg")
    reliability = answer.card["calibration"]["reliability"]
    return picture(request, ("calibration", reliability), lambda: calibration_svg(reliability))


def _card(visit: Visit, span: tuple[Month, Month]) -> tuple[Finished | Underway, str]:
    call = visit.call
    snapshot = call.services.published.current(call.fleet_id)
    return call.services.scorecards.card(Asked(call.fleet_id, *span), snapshot), snapshot
