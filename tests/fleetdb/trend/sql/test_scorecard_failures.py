from __future__ import annotations

from typing import Any

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.said import verdicts
from tests.fleetdb.trend.small_tables import Row, connect, day, finding


def failures(said: Any, *findings: Row) -> list[Row]:
    with connect(findings=findings) as connection:
        connection.register("verdicts", said)
        return queries.answer(
            connection, "scorecard_failures", least_notice_days=30, most_notice_days=400
        ).to_pylist()


FAILED = finding("V1", 100, "failed_on_road")


def test_a_call_in_time_catches_the_failure() -> None:
    [row] = failures(verdicts({0: "sound", 30: "book_in", 60: "stand_down", 90: "watch"}), FAILED)

    assert row["caught"]
    assert row["notice_days"] == 70
    assert row["leading_cause"] == "pump_wear"
    assert row["failed_at"] == day(100)


@pytest.mark.parametrize("called_on", [71, 99, 130])
def test_a_call_less_than_a_month_ahead_is_too_late(called_on: float) -> None:
    [row] = failures(verdicts({0: "sound", called_on: "stand_down"}), FAILED)

    assert not row["caught"]
    assert row["notice_days"] is None
    assert row["leading_cause"] is None


def test_a_watch_is_no_call() -> None:
    [row] = failures(verdicts({0: "watch", 30: "unproven"}), FAILED)

    assert not row["caught"]


def test_a_failure_no_month_end_could_call_is_not_counted() -> None:
    assert failures(verdicts({90: "book_in"}), FAILED) == []
    assert failures(verdicts({-301: "book_in"}), FAILED) == []


def test_a_call_on_the_pump_before_catches_nothing() -> None:
    said = verdicts({0: "book_in"}, fitted=-365).vstack(verdicts({30: "sound"}, fitted=10))

    [row] = failures(said, FAILED)

    assert not row["caught"]


def test_only_pumps_that_failed_on_the_road_count() -> None:
    said = verdicts({0: "book_in"})

    assert failures(said, finding("V1", 100, "worn_confirmed")) == []
    assert failures(said, finding("V1", 100, "failed_on_road", part="injector")) == []
    assert failures(said, finding("V2", 100, "failed_on_road")) == []
