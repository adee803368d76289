from __future__ import annotations

from datetime import UTC, datetime

import pytest

from fleetdb.records.documents import Kind
from fleetdb.report import vehicle_account as module
from fleetdb.report.vehicle_account import VehicleAccount, vehicle_account
from fleetdb.store.posters import Poster
from fleetdb.store.queries import vehicle_history
from tests.loaded_fleets import Loaded, load_fleet, small_fleet

AT = datetime(2026, 5, 31, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return load_fleet(small_fleet(), tmp_path_factory.mktemp("loaded"))


def account(loaded: Loaded, vehicle: str, poster: Poster | None = None) -> VehicleAccount:
    with loaded.store() as store:
        return vehicle_account(store, loaded.settings, loaded.fleet_id, vehicle, AT, poster)


def test_tests_are_told_newest_first_each_with_what_the_trend_made_of_it(loaded: Loaded) -> None:
    told = account(loaded, "LM-0005")
    times = [test.view.document.performed_at for test in told.tests]

    assert len(times) > 5 and times == sorted(times, reverse=True)
    used = [test for test in told.tests if test.seen is not None]
    assert used
    for test in used:
        assert test.seen is not None
        assert test.seen.record_id == str(test.view.document.record_id)
        assert test.seen.performed_at == test.view.document.performed_at
    assert [test.performed_at for test in told.seen] == sorted(times[-len(used) :])


def test_only_the_last_tests_are_told_and_all_are_counted(
    loaded: Loaded, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = account(loaded, "LM-0005")
    monkeypatch.setattr(module, "MOST_TESTS", 3)
    few = account(loaded, "LM-0005")

    assert [test.view.row_id for test in few.tests] == [t.view.row_id for t in every.tests[:3]]
    assert few.n_tests == len(every.tests)


def test_events_are_lettered_in_time_order(loaded: Loaded) -> None:
    with loaded.store() as store, store.read() as session:
        names = [f"LM-{n:04}" for n in range(1, 61)]
        events = {
            name: [
                entry
                for _, entry in vehicle_history(session, loaded.fleet_id, name).events
                if entry.kind is not Kind.TEST_RECORDS
            ]
            for name in names
        }
    busiest = max(names, key=lambda name: len(events[name]))
    told = account(loaded, busiest).events

    assert len(told) == len(events[busiest]) >= 2
    assert [event.at for event in told] == sorted(event.at for event in told)
    assert [event.letter for event in told] == list("ABCDEFGHIJ"[: len(told)])


def test_after_z_come_two_letters() -> None:
    letter = module._letter  # a vehicle with 700 events would be slow to post
    assert [letter(n) for n in (0, 25, 26, 27, 51, 52, 701, 702)] == [
        *("A", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA")
    ]


def test_a_workshop_is_told_its_own_tests_and_no_events(loaded: Loaded) -> None:
    every = account(loaded, "LM-0005")
    workshop = next(t.view.document.workshop for t in every.tests if t.view.document.workshop)
    own = account(loaded, "LM-0005", Poster(10_000, workshop))

    assert 0 < own.n_tests < every.n_tests
    assert {test.view.document.workshop for test in own.tests} == {workshop}
    assert own.events == ()
    assert own.trend is not None and every.trend is not None
    assert own.trend.verdict == every.trend.verdict
