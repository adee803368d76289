from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import timedelta

import pytest

from fleetdb.records.documents import Finding, Fitment, Outcome, Part
from fleetdb.report.vehicle_points import NO_KIT, OTHER_KITS, Over, points_of
from tests.fleetdb.report.accounts import AS_OF, START, account, event, leaks, reading, seen

DAY_MS = 86_400_000.0


def x(days: float) -> float:
    return 1000 * START.timestamp() + days * DAY_MS


def test_readings_stand_at_their_day_raw_and_corrected() -> None:
    points = points_of(
        account(
            seen(1, reading(0.9, kit=0.95)),
            seen(2, reading(0.5, p=0.9), build_rate_bar_per_s=reading(300.0, speed=1.1)),
        ),
        Over.DATE,
    )
    assert points is not None
    assert points.ratios == [
        {"x": x(10), "raw": 0.9, "value": 0.9 / 0.95, "kit": "K1", "aside": False},
        {"x": x(20), "raw": 0.5, "value": 0.5, "kit": "K1", "aside": True},
    ]
    assert [row["value"] for row in points.builds] == [pytest.approx(300 / 1.1)]
    assert points.reserves[0] == {"x": x(10), "low": 1.1, "middle": 1.2, "high": 1.3, "pump": 0}


def test_the_year_to_come_follows_the_verdict() -> None:
    one = account(seen(1, reading(0.9)))
    points = points_of(one, Over.DATE)
    assert points is not None
    after_days = (AS_OF - START) / timedelta(days=1)
    assert [row["x"] for row in points.ahead_reserve] == [x(after_days), x(after_days + 365)]
    assert points.span[1] > x(after_days + 365)

    far = points_of(one, Over.KM)
    assert far is not None
    # Tested at 10,000 km on day 10; 90 days on at 1000 km a day, then a year more.
    assert [row["x"] for row in far.ahead_ratio] == pytest.approx([100_000, 465_000])
    still = points_of(account(seen(1, reading(0.9)), km_per_day=None), Over.KM)
    assert still is not None and still.ahead_ratio == []


def test_over_distance_slips_and_missing_readings_are_left_out() -> None:
    tests = [seen(n, reading(0.9)) for n in range(1, 7)]
    tests[2] = replace(tests[2], odometer_km=None)
    tests[3] = replace(tests[3], odometer_km=4.0)
    points = points_of(account(*tests), Over.KM)

    assert points is not None
    assert [row["x"] for row in points.ratios] == [10_000, 20_000, 50_000, 60_000]
    assert points.left_out == 2


def test_a_slip_upwards_does_not_hide_what_comes_after() -> None:
    tests = [seen(n, reading(0.9)) for n in range(1, 6)]
    tests[1] = replace(tests[1], odometer_km=900_000.0)
    points = points_of(account(*tests), Over.KM)

    assert points is not None
    assert [row["x"] for row in points.ratios] == [10_000, 30_000, 40_000, 50_000]


def test_each_kit_is_named_the_rare_ones_together() -> None:
    often = [seen(n, reading(0.9), kit=f"K{n % 7}") for n in range(14)]
    rare = [seen(20, reading(0.9), kit="Z"), seen(21, reading(0.9), kit=None)]
    points = points_of(account(*often, *rare), Over.DATE)

    assert points is not None
    assert points.kits == [*(f"K{n}" for n in range(7)), OTHER_KITS, NO_KIT]
    assert [row["kit"] for row in points.ratios[-2:]] == [OTHER_KITS, NO_KIT]


def test_events_are_marked_where_tests_are_shown() -> None:
    def fitment(part: Part, day: int) -> Fitment:
        return Fitment(
            fitment_id=uuid.uuid4(), vehicle="V1", part=part, fitted_at=START + timedelta(days=day)
        )

    found = Finding(
        finding_id=uuid.uuid4(),
        vehicle="V1",
        part=Part.PUMP,
        outcome=Outcome.WORN_CONFIRMED,
        found_at=START + timedelta(days=30),
        odometer_km=30_000.0,
    )
    events = (
        event(fitment(Part.FUEL_FILTER, -900), "A"),
        event(fitment(Part.PUMP, 15), "B"),
        event(fitment(Part.REGULATOR, 16), None),
        event(found, "C"),
    )
    one = account(seen(1, reading(0.9)), seen(4, reading(0.9)), events=events)
    dated, far = points_of(one, Over.DATE), points_of(one, Over.KM)

    assert dated is not None and far is not None
    assert dated.events == [
        {"x": x(15), "letter": "B", "sort": "pump"},
        {"x": x(30), "letter": "C", "sort": "finding"},
    ]
    assert far.events == [{"x": 30_000.0, "letter": "C", "sort": "finding"}]


def test_leaks_are_told_by_cylinder_and_reserves_only_after_a_test_of_the_pump() -> None:
    points = points_of(account(seen(1, leaks=leaks(10.0, 12.0))), Over.DATE)

    assert points is not None
    assert [(row["cylinder"], row["raw"], row["value"]) for row in points.leaks] == [
        ("1", 8.0, 10.0),
        ("2", pytest.approx(9.6), 12.0),
    ]
    assert points.reserves == points.ratios == []


def test_without_a_test_there_is_nothing_to_draw() -> None:
    assert points_of(account(), Over.DATE) is None
    assert points_of(account(seen(1, reading(0.9), odometer_km=None)), Over.KM) is None
    assert points_of(replace(account(), trend=None), Over.DATE) is None
