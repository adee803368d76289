"""The published verdicts with when each pump is to be tested next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from api.pages.visits import Visit
from fleetdb.report.planned_tests import Intervals, with_plan
from fleetdb.timestamps import parse_rfc3339


@dataclass(frozen=True, slots=True)
class Plan:
    """Verdicts with the columns that ``with_plan`` adds, and the moment they are of."""

    as_of: datetime
    rows: pl.DataFrame


def intervals_of(visit: Visit) -> Intervals:
    """Return the shortest and longest interval that the settings give."""
    settings = visit.call.settings
    return Intervals(settings.shortest_test_interval_d, settings.longest_test_interval_d)


def published_plan(visit: Visit) -> Plan:
    """Return the newest published verdicts of the visitor's fleet, each with its next test.

    Raises
    ------
    NoVerdictsYetError
        None were published yet.
    """
    published, fleet_id = visit.call.services.published, visit.call.fleet_id
    listed = published.verdicts(fleet_id, published.current(fleet_id), None)
    as_of = parse_rfc3339(listed.as_of)
    return Plan(as_of, with_plan(listed.verdicts, as_of, intervals_of(visit)))
