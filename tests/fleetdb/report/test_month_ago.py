"""The states of a month ago come from an assessment of that day, made behind the request."""

from __future__ import annotations

import time
from collections import Counter
from datetime import date
from pathlib import Path

import pytest

from fleetdb.report.month_ago import BEFORE, MonthAgo, PastStates
from fleetdb.timestamps import end_of_day
from fleetdb.trend.pipeline import assess
from tests.loaded_fleets import load_fleet, small_fleet

TODAY = date(2026, 6, 30)


def wait_for(month_ago: MonthAgo, fleet_id: int, today: date) -> PastStates:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        found = month_ago.states(fleet_id, today)
        if found is not None and found.day == today - BEFORE:
            return found
        time.sleep(0.05)
    raise AssertionError("no answer within a minute")


def test_the_counts_are_those_of_an_assessment_as_of_that_day(tmp_path: Path) -> None:
    loaded = load_fleet(small_fleet(), tmp_path)
    month_ago = MonthAgo(loaded.settings.home)
    month_ago.start()
    try:
        assert month_ago.states(loaded.fleet_id, TODAY) is None
        found = wait_for(month_ago, loaded.fleet_id, TODAY)
        next_day = month_ago.states(loaded.fleet_id, date(2026, 7, 1))
        assert next_day in (found, wait_for(month_ago, loaded.fleet_id, date(2026, 7, 1)))
    finally:
        month_ago.stop()
    with loaded.mirror() as connection:
        states = assess(connection, end_of_day(date(2026, 5, 31))).verdicts["state"].to_pylist()
    assert {state: n for state, n in found.by_state.items() if n} == Counter(states)


def test_a_fleet_that_cannot_be_assessed_gets_no_answer_and_others_still_do(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    loaded = load_fleet(small_fleet(), tmp_path)
    month_ago = MonthAgo(loaded.settings.home)
    month_ago.start()
    try:
        assert month_ago.states(loaded.fleet_id + 1, TODAY) is None
        wait_for(month_ago, loaded.fleet_id, TODAY)
        assert month_ago.states(loaded.fleet_id + 1, TODAY) is None
    finally:
        month_ago.stop()
    assert "2026-05-31" in caplog.text
