"""One vehicle: how its pump stands and why, its tests and what was made of them."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import groupby
from typing import Annotated, Any, Literal

from fastapi import Path, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.pages.pictures import PictureSize, picture
from api.pages.plans import intervals_of
from api.pages.rendering import HEADERS, in_words, page, vehicle_address
from api.pages.routing import page_router
from api.pages.visits import AnyVisit, Visit
from api.slashes import PathName
from api.workshops import poster_of, require_may_see
from fleetdb.cautions import VERDICT_CAUTION, WORKING_CAUTIONS
from fleetdb.errors import NotFoundError
from fleetdb.report.planned_tests import WHY, plan_of
from fleetdb.report.vehicle_account import TestTold, VehicleAccount, vehicle_account
from fleetdb.report.vehicle_points import Over, points_of
from fleetdb.report.vehicle_words import how_corrected, why_not_used, why_set_aside
from fleetdb.timestamps import end_of_day
from fleetdb.trend.cause import CAUSES
from fleetdb.trend.past_states import PastState
from fleetdb.trend.states import Policy
from fleetdb.trend.vehicle_in_full import FamilySettings

router = page_router()

VehiclePath = Annotated[PathName, Path()]
_STORED = {
    "fitment": "What was fitted is stored.",
    "finding": "What was found is stored.",
    "withdrawn": "It is withdrawn, and used no more.",
}


@router.get("/vehicles")
def get_vehicle_lookup(
    visit: AnyVisit, vehicle: Annotated[str, Query(max_length=80)] = ""
) -> Response:
    """Go to a vehicle by its fleet number, or ask for one."""
    if vehicle.strip():
        return RedirectResponse(vehicle_address(vehicle.strip()), 303, HEADERS)
    return page("vehicle_lookup.html", {"visit": visit, "title": "Vehicle"})


@router.get("/vehicles/{vehicle}")
def get_vehicle(
    visit: AnyVisit,
    vehicle: VehiclePath,
    over: Over = Over.DATE,
    stored: Literal["", "fitment", "finding", "withdrawn"] = "",
) -> Response:
    """Show everything there is to tell of a vehicle."""
    account = _account(visit, vehicle)
    trend = account.trend
    call = visit.call
    published = call.services.published.of_vehicles(call.fleet_id, [vehicle]).get(vehicle)
    context = {
        "visit": visit,
        "title": vehicle,
        "address": vehicle_address(vehicle),
        "account": account,
        "verdict": trend and trend.verdict,
        "trend": trend,
        "published": published,
        "plan": trend and plan_of(trend.verdict, trend.as_of, intervals_of(visit)),
        "why_planned": WHY,
        "points": points_of(account, over),
        "over": over,
        "has_km": any(test.odometer_km is not None for test in account.seen),
        "tests": [_told(test, trend.settings) for test in account.tests] if trend else [],
        "runs": _runs(trend.past) if trend else [],
        "policy": Policy(),
        "cause_shares": _cause_shares(trend.verdict) if trend else [],
        "stored": _STORED.get(stored),
        "verdict_caution": VERDICT_CAUTION,
        "working_cautions": WORKING_CAUTIONS,
    }
    return page("vehicle.html", context)


@router.get("/vehicles/{vehicle}/tests.svg")
def get_tests_picture(
    request: Request,
    visit: AnyVisit,
    vehicle: VehiclePath,
    x: Over = Over.DATE,
    size: PictureSize = "wide",
) -> Response:
    """Draw the vehicle's tests over dates or distance."""
    # Drawing libraries take a second to import, which a server that draws nothing saves.
    from fleetdb.report.vehicle_chart import vehicle_svg

    # As of the day's end: what is to come is then drawn alike all day, so that the picture is
    # another only for another record, snapshot or day.
    account = _account(visit, vehicle, end_of_day(datetime.now(UTC).date()))
    points = points_of(account, x)
    if points is None:
        raise NotFoundError("picture of tests of vehicle", vehicle)
    return picture(request, (vehicle, size, points), lambda: vehicle_svg(vehicle, points, size))


def _account(visit: Visit, vehicle: str, as_of: datetime | None = None) -> VehicleAccount:
    call = visit.call
    require_may_see(call, vehicle)
    return vehicle_account(
        call.store, call.settings, call.fleet_id, vehicle, as_of, poster=poster_of(call)
    )


def _told(test: TestTold, applied: FamilySettings) -> dict[str, Any]:
    """Return one row of the table of tests."""
    return {
        "view": test.view,
        "seen": test.seen,
        "why_not_used": why_not_used(test),
        "how": how_corrected(test.seen, applied) if test.seen else [],
        "aside": why_set_aside(test.seen) if test.seen else [],
    }


def _cause_shares(verdict: dict[str, Any]) -> list[tuple[str, float]]:
    shares = [(in_words(cause.value), verdict[f"share_{cause.value}"]) for cause in CAUSES]
    return sorted(shares, key=lambda named: -named[1])


def _runs(past: tuple[PastState, ...]) -> list[dict[str, Any]]:
    """Return month ends of one state and pump in a row as one entry, the latest first."""
    runs = []
    for _, group in groupby(past, key=lambda month: (month.state, month.pump_serial)):
        months = list(group)
        runs.append({"first": months[0], "last": months[-1], "n": len(months)})
    return runs[::-1]
