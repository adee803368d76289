"""The numbers of a vehicle's picture, over dates or distance: plain rows, no drawing."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from fleetdb.records.documents import Finding
from fleetdb.report.vehicle_account import Event, VehicleAccount
from fleetdb.trend.vehicle_in_full import FamilySettings, VehicleInFull
from fleetdb.trend.vehicle_tests import Ahead, Reading, Spread, TestSeen

Rows = list[dict[str, Any]]
NO_KIT = "no kit named"
OTHER_KITS = "other kits"
MOST_KITS = 7
"""So many kits have a shape of their own, those with the most tests."""


class Over(StrEnum):
    """What the picture's horizontal axis is."""

    DATE = "date"
    KM = "km"


@dataclass(frozen=True)
class Points:
    """Rows of each panel. ``x`` is milliseconds since 1970, UTC, or km."""

    over: Over
    span: tuple[float, float]
    ratios: Rows
    """x, raw, value, kit, aside: proof ratios as made and at reference conditions. [-]"""
    builds: Rows
    """The same of build rates. [bar/s]"""
    reserves: Rows
    """x, low, middle, high, pump: after each test. [-]"""
    leaks: Rows
    """x, raw, value, cylinder, pump. [mL/min]"""
    ahead_ratio: Rows
    """x, low, middle, high of what a test would read. [-]"""
    ahead_reserve: Rows
    events: Rows
    """x, letter, sort (``pump``, ``part`` or ``finding``)."""
    kits: list[str]
    applied: FamilySettings
    left_out: int
    """Tests without an odometer reading, or with one out of order, which distance cannot show."""


def points_of(account: VehicleAccount, over: Over) -> Points | None:
    """Return what there is to draw, None without a test to draw."""
    trend = account.trend
    seen = account.seen if over is Over.DATE else _in_order_of_km(account.seen)
    if trend is None or not seen:
        return None
    pump_of = {test.record_id: n for n, pump in enumerate(trend.pumps) for test in pump.tests}

    def x_of(test: TestSeen) -> float:
        return _ms(test.performed_at) if over is Over.DATE else test.odometer_km or 0.0

    kits = _kits(seen)
    named = set(kits)
    ahead_x = _ahead_x(trend, over)
    ahead_of = trend.ahead if ahead_x is not None and trend.verdict["n_tests"] else ()
    events = [
        {"x": x, "letter": event.letter, "sort": _sort(event)}
        for event in account.events
        if event.letter is not None and (x := _event_x(event, over)) is not None
    ]

    def readings(of: Callable[[TestSeen], Reading | None]) -> Rows:
        return [
            {
                "x": x_of(test),
                "raw": reading.raw,
                "value": reading.corrected,
                "kit": _shown_kit(test.kit, named),
                "aside": reading.is_set_aside,
            }
            for test in seen
            if (reading := of(test)) is not None
        ]

    def ahead(of: Callable[[Ahead], Spread]) -> Rows:
        return [{"x": ahead_x(step.days), **_spread(of(step))} for step in ahead_of if ahead_x]

    reserves = [
        {"x": x_of(test), **_spread(test.reserve), "pump": pump_of[test.record_id]}
        for test in seen
        if test.proof_ratio is not None or test.build_rate_bar_per_s is not None
    ]
    leaks = [
        {
            "x": x_of(test),
            "raw": leak.raw_ml_per_min,
            "value": leak.ml_per_min,
            "cylinder": str(leak.cylinder),
            "pump": pump_of[test.record_id],
        }
        for test in seen
        for leak in test.leaks
    ]
    ahead_ratio = ahead(lambda step: step.proof_ratio)
    drawn = [x_of(test) for test in seen] + [row["x"] for row in ahead_ratio]
    first, last = min(drawn), max(drawn)
    margin = 0.02 * (last - first) or 1.0
    return Points(
        over=over,
        span=(first - margin, last + margin),
        ratios=readings(lambda test: test.proof_ratio),
        builds=readings(lambda test: test.build_rate_bar_per_s),
        reserves=reserves,
        leaks=leaks,
        ahead_ratio=ahead_ratio,
        ahead_reserve=ahead(lambda step: step.reserve),
        # What happened before the first test shown explains nothing that is shown.
        events=[event for event in events if first - margin <= event["x"] <= last + margin],
        kits=kits,
        applied=trend.settings,
        left_out=len(account.seen) - len(seen),
    )


def _in_order_of_km(tests: list[TestSeen]) -> list[TestSeen]:
    """Return the most tests whose distances do not fall: a slip of an odometer is left out."""
    # Of every length, the run that ends lowest; each test remembers the one before it in its run.
    ends: list[float] = []
    ending: list[int] = []
    before: dict[int, int | None] = {}
    for n, test in enumerate(tests):
        if test.odometer_km is None:
            continue
        place = bisect_right(ends, test.odometer_km)
        ends[place : place + 1] = [test.odometer_km]
        ending[place : place + 1] = [n]
        before[n] = ending[place - 1] if place else None
    chain: list[TestSeen] = []
    n = ending[-1] if ending else None
    while n is not None:
        chain.append(tests[n])
        n = before[n]
    return chain[::-1]


def _ahead_x(trend: VehicleInFull, over: Over) -> Callable[[float], float] | None:
    """Return what takes days after the verdict to the axis; None where distance is not known."""
    as_of, verdict = trend.as_of, trend.verdict
    if over is Over.DATE:
        return lambda days: _ms(as_of + timedelta(days=days))
    per_day, last_km, last_at = (
        verdict[name] for name in ("km_per_day", "last_odometer_km", "last_test_at")
    )
    if per_day is None or last_km is None:
        return None
    since_days = (as_of.replace(tzinfo=None) - last_at).total_seconds() / 86_400
    return lambda days: last_km + per_day * (since_days + days)


def _event_x(event: Event, over: Over) -> float | None:
    return _ms(event.at) if over is Over.DATE else event.document.odometer_km


def _sort(event: Event) -> str:
    if isinstance(event.document, Finding):
        return "finding"
    return "pump" if event.is_pump_change else "part"


def _kits(seen: Iterable[TestSeen]) -> list[str]:
    """Return the names the legend has: kits by name, then what stands for the others."""
    tests: dict[str, int] = {}
    for test in seen:
        if test.kit is not None:
            tests[test.kit] = tests.get(test.kit, 0) + 1
    own = sorted(sorted(tests), key=lambda kit: -tests[kit])[:MOST_KITS]
    rest = [OTHER_KITS] if len(own) < len(tests) else []
    none = [NO_KIT] if any(test.kit is None for test in seen) else []
    return [*sorted(own), *rest, *none]


def _shown_kit(kit: str | None, named: set[str]) -> str:
    if kit is None:
        return NO_KIT
    return kit if kit in named else OTHER_KITS


def _spread(spread: Spread) -> dict[str, float]:
    return {"low": spread.low, "middle": spread.middle, "high": spread.high}


def _ms(moment: datetime) -> float:
    return 1000.0 * moment.timestamp()
