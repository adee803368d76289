"""The kits: which read off, which read true, and one kit with its past and its calibrations."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import Query, Request
from fastapi.responses import RedirectResponse, Response

from api.pages.calibration_form import CalibrationForm, store_calibration
from api.pages.pictures import PictureSize, picture
from api.pages.rendering import HEADERS, page
from api.pages.routing import page_router
from api.pages.visits import FormFields, ManagerVisit, Visit, require_form_key
from api.slashes import PathName
from fleetdb.report.kit_readings import KitMoment, kit_past, kit_readings, last_of_each_month
from fleetdb.store.kit_calibrations import calibrations_of, named_kits
from fleetdb.timestamps import parse_rfc3339

router = page_router()

NAME = "Kits"
ON_A_PAGE = 50


@router.get("/kits")
def get_kits_page(
    visit: ManagerVisit,
    kit: Annotated[str, Query(max_length=80)] = "",
    page_number: Annotated[int, Query(alias="page", ge=1, le=1_000_000)] = 1,
) -> Response:
    """Show the kits that read off and, below, a page of the others."""
    call = visit.call
    judged = call.services.published.kits(call.fleet_id)
    with call.store.read() as session:
        named = named_kits(session, call.fleet_id)
    wanted = [each for each in named if kit.strip().lower() in each.kit.lower()]
    readings = kit_readings(wanted, judged.kits if judged else None)
    others = [*readings.true, *readings.not_known]
    pages = max(1, -(-len(others) // ON_A_PAGE))
    number = min(page_number, pages)
    context = {
        "visit": visit,
        "title": NAME,
        "n_kits": len(named),
        "looked_for": kit,
        "off": readings.off,
        "others": others[(number - 1) * ON_A_PAGE : number * ON_A_PAGE],
        "n_others": len(others),
        "page_number": number,
        "pages": pages,
        "page_address": lambda n: "/kits?" + urlencode({"kit": kit, "page": n}),
        "kit_address": kit_address,
        "as_of": parse_rfc3339(judged.as_of) if judged else None,
    }
    return page("kits.html", context)


@router.get("/kits/{kit}")
def get_kit_page(visit: ManagerVisit, kit: PathName, recorded: bool = False) -> Response:
    """Show one kit, with the form that records a calibration."""
    return _kit_page(visit, kit, CalibrationForm.fresh(), recorded=recorded)


@router.post("/kits/{kit}/calibrations")
def post_calibration(visit: ManagerVisit, kit: PathName, form: FormFields) -> Response:
    """Record a calibration, or say what to mend."""
    require_form_key(form, visit.secret)
    with visit.call.store.read() as session:
        calibrations_of(session, visit.call.fleet_id, kit)
    shown, wrong = store_calibration(visit.call, kit, CalibrationForm.of(form))
    if wrong:
        return _kit_page(visit, kit, shown, wrong, status=422)
    return RedirectResponse(f"{kit_address(kit)}?recorded=true", 303, HEADERS)


@router.get("/kits/{kit}/bias.svg")
def get_bias_picture(
    request: Request,
    visit: ManagerVisit,
    kit: PathName,
    size: PictureSize = "wide",
) -> Response:
    """Draw what the kit adds to every pressure, over time."""
    # Drawing libraries take a second to import, which a server that draws nothing saves.
    from fleetdb.report.kit_bias_chart import kit_bias_svg

    with visit.call.store.read() as session:
        calibrations = calibrations_of(session, visit.call.fleet_id, kit)
    at = [calibration.calibrated_at for calibration in calibrations]
    past = _past(visit, kit)
    return picture(request, (kit, size, past, at), lambda: kit_bias_svg(kit, past, at, size))


def kit_address(kit: str) -> str:
    """Return the address of a kit's page."""
    return f"/kits/{quote(kit, safe='')}"


def _kit_page(
    visit: Visit,
    kit: str,
    form: CalibrationForm,
    wrong: list[str] | None = None,
    *,
    recorded: bool = False,
    status: int = 200,
) -> Response:
    call = visit.call
    with call.store.read() as session:
        calibrations = calibrations_of(session, call.fleet_id, kit)
    judged = call.services.published.kits(call.fleet_id)
    rows = [] if judged is None else judged.kits.rows(named=True)
    past = _past(visit, kit)
    context: dict[str, Any] = {
        "visit": visit,
        "title": f"Kit {kit}",
        "kit": kit,
        "judged": next((row for row in rows if row["kit"] == kit), None),
        "months": last_of_each_month(past),
        "calibrations": calibrations,
        "address": kit_address(kit),
        # Another picture for another snapshot or calibration, so that none is shown too long.
        "picture": f"{kit_address(kit)}/bias.svg?"
        + urlencode({"of": judged.snapshot if judged else "", "n": len(calibrations)}),
        "form": form,
        "wrong": wrong or [],
        "recorded": recorded,
    }
    return page("kit.html", context, status)


def _past(visit: Visit, kit: str) -> list[KitMoment]:
    bias = visit.call.services.published.kit_bias(visit.call.fleet_id, kit)
    return [] if bias is None else kit_past(bias)
