"""What is the matter with the records: what they lack, what was refused, and what came twice."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Depends, Query
from fastapi.responses import Response
from pydantic import TypeAdapter

from api.errors import ParameterError
from api.pages.rendering import page
from api.pages.routing import page_router
from api.pages.visits import ManagerVisit
from fleetdb.records.fields import Date
from fleetdb.report.data_quality import SHOWN, Asked
from fleetdb.report.published import NoVerdictsYetError
from fleetdb.store.sent_counts import KEPT

router = page_router()

NAME = "Data quality"
MOST_WORKSHOPS = 200
_DEFAULT = timedelta(days=364)
_DATE = TypeAdapter(Date)
_CODES = {
    "invalid": "a field that cannot be",
    "other_contents": "its id was stored with other contents",
    "conflict": "clashes with what is stored",
    "other": "something else",
}


@dataclass(frozen=True, slots=True)
class Period:
    """What the form says: days, both counted, and a workshop if one is chosen."""

    first: date
    last: date
    workshop: str | None

    def address(self, workshop: str | None) -> str:
        """Return the address of the same period for a workshop, None for all."""
        fields = {"from": self.first.isoformat(), "to": self.last.isoformat()}
        if workshop is not None:
            # No workshop is called so: names do not begin with a blank.
            fields["workshop"] = workshop or " "
        return "/data-quality?" + urlencode(fields)


def _period(
    first: Annotated[str, Query(alias="from", max_length=10)] = "",
    last: Annotated[str, Query(alias="to", max_length=10)] = "",
    workshop: Annotated[str, Query(max_length=80)] = "",
) -> Period:
    until = _day("to", last) if last else datetime.now(UTC).date()
    since = _day("from", first) if first else until - _DEFAULT
    if until < since:
        raise ParameterError("to", f"is before from, which is {since}")
    return Period(since, until, workshop.strip() if workshop else None)


def _day(name: str, text: str) -> date:
    try:
        return _DATE.validate_python(text)
    except ValueError:
        raise ParameterError(name, "expected a date such as 2025-03-31") from None


PeriodDep = Annotated[Period, Depends(_period)]


@router.get("/data-quality")
def get_data_quality(visit: ManagerVisit, period: PeriodDep) -> Response:
    """Show what was found or, while it is worked out, that it is."""
    call = visit.call
    context = {"visit": visit, "title": NAME, "period": period}
    try:
        snapshot = call.services.published.current(call.fleet_id)
    except NoVerdictsYetError:
        will = "tells what records lack, and what was refused"
        return page("no_verdicts.html", {**context, "will": will})
    asked = Asked(call.fleet_id, snapshot, period.first, period.last, period.workshop)
    context |= {
        "quality": call.services.data_quality.quality(asked),
        "shown": SHOWN,
        "most_workshops": MOST_WORKSHOPS,
        "codes": _CODES,
        "kept_days": KEPT.days,
    }
    return page("data_quality.html", context)
