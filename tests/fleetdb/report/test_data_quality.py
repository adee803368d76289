"""Answers on data quality: what belongs together is joined, and the waiting is bounded."""

from __future__ import annotations

import math
import threading
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.report import data_quality as module
from fleetdb.report.data_quality import Asked, DataQuality, Quality, find_quality
from fleetdb.store.engine import Store
from fleetdb.store.sent_counts import note_sent, refused, sent_again
from fleetdb.trend.refresh import refresh
from fleetdb.trend.timing_habits import habits_table
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.snapshot import publish
from tests.documents import post, post_family_and_vehicle

EMPTY = Quality([], [], [], [], 0, [], 0)
TODAY = datetime.now(UTC).date()


def test_everything_of_a_workshop_stands_in_its_row(store: Store, tmp_path: Path) -> None:
    post_family_and_vehicle(store)
    at = "2024-06-03T08:30:00Z"
    for _ in range(2):
        post(store, Kind.TEST_RECORDS, performed_at=at, conditions=None)
    post(store, Kind.TEST_RECORDS, performed_at=at, workshop=None, kit=None, odometer_km=None)
    wrong = refused("test_records", InvalidInputError.at("/vehicle", "x"), "north shop")
    note_sent(store, 1, Counter({wrong: 3, sent_again("test_records", "north shop"): 2}))
    published = refresh(store, 1, tmp_path)
    assert published is not None
    asked = Asked(1, published.snapshot.name, date(2024, 6, 3), TODAY, None)
    quality = find_quality(store, tmp_path, asked)
    north, none = quality.workshops
    assert (north.workshop, north.n, north.no_fuel_temp, north.no_crank_speed) == (
        "north shop",
        2,
        2,
        2,
    )
    assert (north.remarks, north.refused, north.sent_again) == (2, 3, 2)
    assert (none.workshop, none.n, none.no_odometer, none.no_kit, none.remarks) == ("", 1, 1, 1, 1)
    assert quality.remarks == [("no_fuel_temperature", 2), ("no_kit", 1)]
    assert [(r.workshop, r.pointer, r.n) for r in quality.refusals] == [
        ("north shop", "/vehicle", 3)
    ]
    assert (quality.n_twice, quality.twice[0]["vehicle"], quality.twice[0]["records"]) == (
        1,
        "V-17",
        2,
    )
    only_none = find_quality(
        store, tmp_path, Asked(1, published.snapshot.name, asked.first, TODAY, "")
    )
    assert [each.workshop for each in only_none.workshops] == [""]
    assert (only_none.remarks, only_none.refusals) == ([("no_kit", 1)], [])
    before = find_quality(
        store,
        tmp_path,
        Asked(1, published.snapshot.name, date(2024, 1, 1), date(2024, 6, 2), None),
    )
    assert before == EMPTY


def test_a_snapshot_of_before_records_set_aside_were_kept_tells_the_rest(
    store: Store, tmp_path: Path
) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-03T08:30:00Z")
    assert refresh(store, 1, tmp_path) is not None
    older = publish(tmp_path, 1, {"verdicts": SCHEMA.empty_table()}, {})
    asked = Asked(1, older.name, date(2024, 6, 3), TODAY, None)
    quality = find_quality(store, tmp_path, asked)
    assert (quality.n_set_aside, quality.set_aside) == (None, [])
    [north] = quality.workshops
    assert (north.n, north.set_aside) == (1, None)


def test_how_a_workshop_times_is_told_as_the_mean_of_its_families(
    store: Store, tmp_path: Path
) -> None:
    post_family_and_vehicle(store)
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-03T08:30:00Z")
    post(store, Kind.TEST_RECORDS, performed_at="2024-06-03T08:30:00Z", workshop="south shop")
    assert refresh(store, 1, tmp_path) is not None
    habits = {"one": {"north shop": 0.08, "elsewhere": 0.3}, "two": {"north shop": 0.04}}
    told = publish(
        tmp_path,
        1,
        {"verdicts": SCHEMA.empty_table(), "timing_habits": habits_table(habits)},
        {},
    )
    quality = find_quality(store, tmp_path, Asked(1, told.name, date(2024, 6, 3), TODAY, None))
    over = {each.workshop: each.build_over_others for each in quality.workshops}
    assert over == {"north shop": pytest.approx(math.expm1(0.06)), "south shop": None}


class Slow:
    """Stands where millions of records would be read: waits to be let go."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self.asked: list[Asked] = []
        self.failure: Exception | None = None

    def find(self, _store: object, _home: object, asked: Asked) -> Quality:
        self.asked.append(asked)
        self.go.wait(10)
        if self.failure is not None:
            raise self.failure
        return EMPTY


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Slow:
    made = Slow()
    monkeypatch.setattr(module, "find_quality", made.find)
    monkeypatch.setattr(module, "_PATIENCE_S", 0.05)
    return made


@pytest.fixture
def service(sqlite_store: Store, tmp_path: Path, slow: Slow) -> Iterator[DataQuality]:
    made = DataQuality(sqlite_store, tmp_path)
    made.start()
    yield made
    slow.go.set()
    made.stop()


def asked_of(day: int) -> Asked:
    return Asked(1, "s", date(2025, 1, 1), date(2025, 1, 1) + timedelta(days=day), None)


def soon(service: DataQuality, asked: Asked) -> Quality:
    deadline = time.monotonic() + 10
    while (quality := service.quality(asked)) is None:
        assert time.monotonic() < deadline, "no answer came"
    return quality


def test_who_asks_does_not_wait_long_and_gets_it_later(service: DataQuality, slow: Slow) -> None:
    assert service.quality(asked_of(1)) is None
    slow.go.set()
    assert soon(service, asked_of(1)) == EMPTY
    assert service.quality(asked_of(1)) == EMPTY
    assert slow.asked == [asked_of(1)]


def test_a_failure_is_told_once_and_asked_for_again(service: DataQuality, slow: Slow) -> None:
    slow.failure = RuntimeError("the mirror is gone")
    slow.go.set()
    with pytest.raises(RuntimeError, match="mirror is gone"):
        soon(service, asked_of(1))
    slow.failure = None
    assert soon(service, asked_of(1)) == EMPTY


def test_the_oldest_answer_makes_room(
    service: DataQuality, slow: Slow, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_KEPT", 2)
    slow.go.set()
    for day in (1, 2, 3, 1):
        soon(service, asked_of(day))
    assert slow.asked == [asked_of(day) for day in (1, 2, 3, 1)]
