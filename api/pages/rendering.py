"""Templates to answers: everything escaped, and nothing run or loaded from elsewhere."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from api.pages.clocks import UTC_OFFSETS
from fleetdb.report.action_list import SHAPES
from fleetdb.report.limit_dates import is_due_now, is_past, limit_in_words

# Scripts, styles and pictures of this server only, none of them inside the page.
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {"Content-Security-Policy": POLICY, "Referrer-Policy": "same-origin"}
UNKNOWN = "–"
NAVIGATION = (
    ("/", "Action list", True),
    ("/vehicles", "Vehicle", False),
    ("/planned-tests", "Planned tests", True),
    ("/kits", "Kits", True),
    ("/data-quality", "Data quality", True),
    ("/scorecard", "How well we called it", True),
    ("/workshop", "Workshop", False),
    ("/record", "Record a test", False),
)
"""Address, name and whether it is for managers only, of every page that a visit may begin at."""

STATIC = {entry.name: entry.read_bytes() for entry in (files("api.pages") / "static").iterdir()}
"""The static files by name."""


def static_address(name: str) -> str:
    """Return the address of a static file, which changes with its contents."""
    return f"/static/{name}?v={hashlib.sha256(STATIC[name]).hexdigest()[:12]}"


def vehicle_address(vehicle: str) -> str:
    """Return the address of a vehicle's page; a name may hold any character."""
    return f"/vehicles/{quote(vehicle, safe='')}"


def _day(moment: datetime | date | None) -> str:
    return UNKNOWN if moment is None else f"{moment:%Y-%m-%d}"


def _number(value: float | None, digits: int = 2, unit: str = "") -> str:
    if value is None or value != value:
        return UNKNOWN
    return f"{value:,.{digits}f}" + (f" {unit}" if unit else "")


def _percent(share: float | None, digits: int = 0) -> str:
    return UNKNOWN if share is None or share != share else f"{100 * share:.{digits}f} %"


def _percent_over(share: float | None) -> str:
    """Return by how much something is over or under another, to whole per cents."""
    if share is None:
        return UNKNOWN
    whole = round(100 * share)
    return f"{whole:+d} %" if whole else "0 %"


def in_words(name: str | None) -> str:
    """Return a word of the contract, such as ``stand_down``, as people write it."""
    return UNKNOWN if name is None else name.replace("_", " ")


def ago(seconds: float) -> str:
    """Return an age as people say it."""
    for size, unit in ((86_400, "day"), (3_600, "hour"), (60, "minute")):
        if seconds >= size:
            n = int(seconds // size)
            return f"{n} {unit}{'' if n == 1 else 's'} ago"
    return "just now"


def _moment(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("api.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        day=_day,
        limit_in_words=limit_in_words,
        number=_number,
        percent=_percent,
        percent_over=_percent_over,
        words=in_words,
        moment=_moment,
    )
    environment.tests.update(due_now=is_due_now, past_by=is_past)
    for name, value in {
        "shapes": SHAPES,
        "static_address": static_address,
        "unknown": UNKNOWN,
        "vehicle_address": vehicle_address,
        "navigation": NAVIGATION,
        "utc_offsets": UTC_OFFSETS,
    }.items():
        environment.globals[name] = value
    return environment


_TEMPLATES = _environment()


def page(template: str, context: Mapping[str, Any], status: int = 200) -> HTMLResponse:
    """Answer with a template, with the headers every page has."""
    text = _TEMPLATES.get_template(template).render({"visit": None, **context})
    return HTMLResponse(text, status, HEADERS)
