"""The first page: the fleet in numbers, and which pumps to act on, most urgent first."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

import polars as pl
from fastapi import Depends, Query
from fastapi.responses import RedirectResponse, Response

from api.pages.plans import published_plan
from api.pages.rendering import HEADERS, ago, in_words, page
from api.pages.routing import page_router
from api.pages.trend_line import HEIGHT_PX, WIDTH_PX, trend_line
from api.pages.visits import AnyVisit, ManagerVisit, Visit
from fleetdb.cautions import CAUTIONS
from fleetdb.report.action_list import ACTED_ON
from fleetdb.report.fleet_numbers import fleet_numbers
from fleetdb.report.published import NoVerdictsYetError
from fleetdb.report.spreadsheet_safe import without_formulas
from fleetdb.report.verdict_files import write_csv
from fleetdb.report.verdict_list import (
    StateWord,
    VerdictFilter,
    VerdictOrder,
    in_order,
    matching,
)
from fleetdb.store.recent_ratios import recent_ratios
from fleetdb.trend.cause import CAUSES
from fleetdb.trend.states import State

router = page_router()

ON_A_PAGE = 50
_IN_A_LINE = 12
_STATES: dict[str, tuple[str, ...]] = {
    "": ACTED_ON,
    "all": (),
    **{state.word: (state.word,) for state in reversed(State)},
}
_STATE_NAMES = [(state.word, in_words(state.word)) for state in reversed(State)]
_ORDERS = {
    VerdictOrder.URGENCY: "most urgent first",
    VerdictOrder.LIMIT_DATE: "soonest at the limit first",
    VerdictOrder.PROBABILITY: "likeliest below the limit first",
    VerdictOrder.STATE: "by state",
    VerdictOrder.VEHICLE: "by vehicle",
}


@dataclass(frozen=True, slots=True)
class Choice:
    """What the form above the list says; empty text asks for nothing."""

    state: str
    depot: str
    family: str
    cause: str
    vehicle: str
    sort: VerdictOrder

    def rows(self, verdicts: pl.DataFrame) -> pl.DataFrame:
        """Return the verdicts chosen, in the order chosen."""
        wanted = VerdictFilter(
            state=_STATES[self.state],
            depot=(self.depot,) if self.depot else (),
            pump_family=(self.family,) if self.family else (),
            leading_cause=(self.cause,) if self.cause else (),
            vehicle_has=self.vehicle.strip(),
        )
        return in_order(matching(verdicts, wanted), self.sort).drop("rank")

    def query(self, **more: str) -> str:
        """Return the query that chooses the same."""
        fields = {
            "state": self.state,
            "depot": self.depot,
            "family": self.family,
            "cause": self.cause,
            "vehicle": self.vehicle,
            "sort": "" if self.sort is VerdictOrder.URGENCY else self.sort.value,
            **more,
        }
        return urlencode({name: value for name, value in fields.items() if value})


def _choice(
    state: Literal["", "all"] | StateWord = "",
    depot: str = "",
    family: str = "",
    cause: str = "",
    vehicle: Annotated[str, Query(max_length=80)] = "",
    sort: VerdictOrder = VerdictOrder.URGENCY,
) -> Choice:
    return Choice(state, depot, family, cause, vehicle, sort)


ChoiceDep = Annotated[Choice, Depends(_choice)]


@router.get("/")
def get_action_list(
    visit: AnyVisit,
    choice: ChoiceDep,
    page_number: Annotated[int, Query(alias="page", ge=1, le=1_000_000)] = 1,
) -> Response:
    """Show what to act on or, in a fleet without verdicts, how to begin.

    A workshop is led to its own page.
    """
    if not visit.is_manager:
        return RedirectResponse("/workshop", 303, HEADERS)
    call = visit.call
    nothing = {"visit": visit, "will": "lists which pumps to act on"}
    try:
        plan = published_plan(visit)
    except NoVerdictsYetError:
        return page("no_verdicts.html", {**nothing, "title": "Nothing judged yet"})
    if plan.rows.is_empty():
        return page("no_verdicts.html", {**nothing, "title": "No vehicles yet"})
    rows = choice.rows(plan.rows)
    pages = max(1, -(-len(rows) // ON_A_PAGE))
    number = min(page_number, pages)
    shown = rows.slice((number - 1) * ON_A_PAGE, ON_A_PAGE).to_dicts()
    with call.store.read() as session:
        vehicles = [row["vehicle"] for row in shown]
        ratios = recent_ratios(session, call.fleet_id, vehicles, _IN_A_LINE)
    context = {
        "visit": visit,
        "title": "Action list",
        "entries": [_entry(row, ratios.get(row["vehicle"], [])) for row in shown],
        "found": len(rows),
        "choice": choice,
        "order": _ORDERS[choice.sort],
        "states": [("", "to act on or watch"), ("all", "all"), *_STATE_NAMES],
        "orders": [(order.value, text) for order, text in _ORDERS.items()],
        "causes": [("", "all"), *((cause.value, in_words(cause.value)) for cause in CAUSES)],
        "depots": values_of(plan.rows, "depot"),
        "families": values_of(plan.rows, "pump_family"),
        "page_number": number,
        "pages": pages,
        "page_address": lambda n: "/?" + choice.query(page=str(n)),
        "line_px": (WIDTH_PX, HEIGHT_PX),
        "numbers": fleet_numbers(plan.rows),
        "past": call.services.month_ago.states(call.fleet_id, plan.as_of.date()),
        "as_of": plan.as_of,
        "freshness": _freshness(visit, plan.as_of),
        "cautions": CAUTIONS,
    }
    return page("action_list.html", context)


@router.get("/action-list.csv")
def get_action_list_csv(visit: ManagerVisit, choice: ChoiceDep) -> Response:
    """Give the list as chosen, all pages of it, as CSV."""
    plan = published_plan(visit)
    target = io.BytesIO()
    write_csv(without_formulas(choice.rows(plan.rows)), target)
    name = f"action-list-{plan.as_of:%Y-%m-%d}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(target.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def values_of(verdicts: pl.DataFrame, column: str) -> list[tuple[str, str]]:
    """Return the values of a column as choices of a form, "all" the first."""
    found = verdicts[column].drop_nulls().unique().sort()
    return [("", "all"), *((value, value) for value in found)]


def _entry(row: dict[str, Any], ratios: list[tuple[datetime, float]]) -> dict[str, Any]:
    return {
        **row,
        "why": row["reasons"].split("; ") if row["reasons"] else [],
        "line": trend_line(ratios),
    }


def _freshness(visit: Visit, as_of: datetime) -> str:
    now = datetime.now(UTC)
    told = f"{as_of:%H:%M} UTC on {as_of:%Y-%m-%d}"
    age = now - as_of
    said = f"as of {told}, {ago(age.total_seconds())}" if age > timedelta(0) else f"as of {told}"
    looked = visit.call.services.refresher.state.last_success_at
    if looked is None:
        return said
    return f"{said}; last looked for new records {ago((now - looked).total_seconds())}"
