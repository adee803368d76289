"""Published degradation data put through the whole trend as if the units were pumps.

A unit's measured size becomes a delivery reserve that reaches the family's limit, 0.8, when
the unit reaches its failure threshold. Tests are 60 days apart, as a fleet's are, and are
made at half the reference cranking speed: no regulator then caps what is measured, and the
proof ratio is half the reserve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleetdb.trend.beliefs import Floats
from fleetdb.trend.pipeline import assess
from tests.fleetdb.trend.small_tables import FAMILY, connect, day, record, vehicle

LIMIT = FAMILY["proof_ratio_limit"]
DAYS_BETWEEN_TESTS = 60.0
_SPEED_SHARE = 0.5


@dataclass(frozen=True)
class LimitTests:
    """When each unit will be below the limit, counted in tests; shape (n_units,).

    Infinite where the trend gives no date, because it lies beyond what it looks ahead.
    """

    p10: Floats
    p50: Floats
    p90: Floats
    states: list[str]


def limit_tests(reserves: list[Floats], last_test: int) -> LimitTests:
    """Return what the trend says of units of which the tests 0 to ``last_test`` are known.

    ``reserves`` are the units' delivery reserves at each test, from the first, number 0.
    """
    names = [f"U{number:02}" for number in range(len(reserves))]
    records = [
        record(
            name,
            DAYS_BETWEEN_TESTS * test,
            _SPEED_SHARE * float(reserve),
            crank_rpm=_SPEED_SHARE * FAMILY["reference_crank_rpm"],
        )
        for name, own in zip(names, reserves, strict=True)
        for test, reserve in enumerate(own[: last_test + 1])
    ]
    vehicles = [vehicle(name, in_service_on=day(0).date()) for name in names]
    as_of = day(DAYS_BETWEEN_TESTS * last_test) + timedelta(hours=1)
    with connect(test_records=records, vehicles=vehicles) as connection:
        rows = {row["vehicle"]: row for row in assess(connection, as_of).verdicts.to_pylist()}
    points = {
        name: np.array([_in_tests(rows[unit][f"limit_date_{name}"]) for unit in names])
        for name in ("p10", "p50", "p90")
    }
    return LimitTests(**points, states=[rows[unit]["state"] for unit in names])


def _in_tests(when: date | None) -> float:
    return math.inf if when is None else (when - day(0).date()).days / DAYS_BETWEEN_TESTS
