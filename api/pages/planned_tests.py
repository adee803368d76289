"""Who is to be tested when and why, overdue ones first, and the same as a calendar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import urlencode

import polars as pl
from fastapi import Depends, Query
from fastapi.responses import Response

from api.errors import ParameterError
from api.pages.action_list import values_of
from api.pages.plans import intervals_of, published_plan
from api.pages.rendering import page
from api.pages.routing import page_router
from api.pages.visits import ManagerVisit
from fleetdb.cautions import CAUTIONS
from fleetdb.report.planned_tests import SOON_D, WHY, due, plan_numbers, soonest_first
from fleetdb.report.published import NoVerdictsYetError
from fleetdb.store.installation import installation_id

router = page_router()

NAME = "Planned tests"
ON_A_PAGE = 50
# A calendar of more is slow to make and to import; nobody tests so many from one.
MOST_EVENTS = 5_000
When = Literal["", "overdue", "soon"]
_WHENS: list[tuple[str, str]] = [
    ("", "all"),
    ("overdue", "overdue"),
    ("soon", f"overdue, or within {SOON_D} days"),
]


@dataclass(frozen=True, slots=True)
class Choice:
    """What the form above the plan says; empty text asks for nothing."""

    depot: str
    when: When

    def of_depot(self, planned: pl.DataFrame) -> pl.DataFrame:
        """Return the vehicles of the depot chosen."""
        return planned.filter(pl.col("depot") == self.depot) if self.depot else planned

    def query(self, **more: str) -> str:
        """Return the query that chooses the same."""
        fields = {"depot": self.depot, "when": self.when, **more}
        return urlencode({name: value for name, value in fields.items() if value})


def _choice(depot: Annotated[str, Query(max_length=80)] = "", when: When = "") -> Choice:
    return Choice(depot, when)


ChoiceDep = Annotated[Choice, Depends(_choice)]


@router.get("/planned-tests")
def get_planned_tests(
    visit: ManagerVisit,
    choice: ChoiceDep,
    page_number: Annotated[int, Query(alias="page", ge=1, le=1_000_000)] = 1,
) -> Response:
    """Show the plan, the day that is due first at the top."""
    nothing = {"visit": visit, "title": NAME, "will": "says which pump is to be tested when"}
    try:
        plan = published_plan(visit)
    except NoVerdictsYetError:
        return page("no_verdicts.html", nothing)
    if plan.rows.is_empty():
        return page("no_verdicts.html", nothing)
    of_depot = choice.of_depot(plan.rows)
    rows = soonest_first(due(of_depot, plan.as_of.date(), choice.when))
    pages = max(1, -(-len(rows) // ON_A_PAGE))
    number = min(page_number, pages)
    context = {
        "visit": visit,
        "title": NAME,
        "choice": choice,
        "depots": values_of(plan.rows, "depot"),
        "whens": _WHENS,
        "numbers": plan_numbers(of_depot, plan.as_of),
        "soon_d": SOON_D,
        "intervals": intervals_of(visit),
        "entries": rows.slice((number - 1) * ON_A_PAGE, ON_A_PAGE).to_dicts(),
        "why": WHY,
        "found": len(rows),
        "page_number": number,
        "pages": pages,
        "page_address": lambda n: "/planned-tests?" + choice.query(page=str(n)),
        "too_many": len(of_depot) > MOST_EVENTS,
        "most_events": MOST_EVENTS,
        "as_of": plan.as_of,
        "cautions": CAUTIONS,
    }
    return page("planned_tests.html", context)


@router.get("/planned-tests.ics")
def get_planned_calendar(visit: ManagerVisit, choice: ChoiceDep) -> Response:
    """Give the plan of a depot, or of all, as iCalendar.

    It is whole whatever else was chosen: a test left out would stay on its old day in the
    calendar it was imported into before.
    """
    # Its library takes a while to import, which a server that makes no calendar saves.
    from fleetdb.report.planned_calendar import planned_calendar

    call = visit.call
    plan = published_plan(visit)
    rows = soonest_first(choice.of_depot(plan.rows))
    if len(rows) > MOST_EVENTS:
        raise ParameterError("depot", f"more than {MOST_EVENTS} tests: choose a depot")
    with call.store.read() as session:
        installation = installation_id(session)
    calendar = planned_calendar(rows.iter_rows(named=True), plan.as_of, installation, call.fleet)
    headers = {"Content-Disposition": 'attachment; filename="planned-tests.ics"'}
    return Response(calendar, media_type="text/calendar; charset=utf-8", headers=headers)
