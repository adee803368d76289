"""Everything about one vehicle agrees with its verdict, and with verdicts of the past."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fleetdb.errors import NotFoundError
from fleetdb.trend.one_vehicle import current_verdict
from fleetdb.trend.refresh import refresh
from fleetdb.trend.vehicle_in_full import VehicleInFull, vehicle_in_full
from fleetdb.warehouse.snapshot import open_snapshot
from tests.loaded_fleets import Loaded, load_fleet, small_fleet

AT = datetime(2026, 5, 31, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    loaded = load_fleet(small_fleet(), tmp_path_factory.mktemp("published"))
    with loaded.store() as store:
        refresh(store, loaded.fleet_id, loaded.settings.home, as_of=AT)
    return loaded


@pytest.fixture(scope="module")
def vehicles(published: Loaded) -> dict[str, VehicleInFull]:
    """Return the worst and some other vehicles in full, by name."""
    with open_snapshot(published.settings.home, published.fleet_id).connection() as connection:
        rows = connection.sql("FROM verdicts ORDER BY probability_worn DESC").fetchall()
    names = [row[1] for row in rows]
    with published.store() as store:
        told = {
            name: vehicle_in_full(store, published.settings, published.fleet_id, name, AT)
            for name in [*names[:6], *names[6::14]]
        }
    return {name: found for name, found in told.items() if found is not None}


def test_the_verdict_is_the_one_programs_get(
    published: Loaded, vehicles: dict[str, VehicleInFull]
) -> None:
    assert len(vehicles) == 10
    with published.store() as store:
        for name, found in vehicles.items():
            own = current_verdict(store, published.settings, published.fleet_id, name, AT)
            assert found.verdict == own


def test_past_states_are_what_verdicts_as_of_those_moments_say(
    published: Loaded, vehicles: dict[str, VehicleInFull]
) -> None:
    states = set()
    with published.store() as store:
        for name, found in vehicles.items():
            assert found.past[-1].at == datetime(2026, 5, 1, tzinfo=UTC) - timedelta(microseconds=1)
            for past in found.past[::3]:
                then = current_verdict(store, published.settings, published.fleet_id, name, past.at)
                assert then is not None
                assert past.state == then["state"], (name, past)
                assert past.pump_serial == then["pump_serial"]
                assert past.n_tests == then["n_tests"]
                # A crank speed not noted is taken from the vehicle's tests, later ones too.
                assert past.probability_worn == pytest.approx(then["probability_worn"], abs=0.1)
                states.add(past.state)
    assert len(states) >= 3


def test_the_tests_are_told_with_how_each_was_corrected(
    vehicles: dict[str, VehicleInFull],
) -> None:
    tests = [test for v in vehicles.values() for pump in v.pumps for test in pump.tests]
    readings = [
        reading
        for test in tests
        for reading in (test.proof_ratio, test.build_rate_bar_per_s)
        if reading is not None
    ]
    assert len(readings) > 150
    for reading in readings:
        parts = reading.kit * reading.temperature * reading.speed
        assert reading.raw == pytest.approx(reading.corrected * parts)
    assert all(t.reserve.low <= t.reserve.middle <= t.reserve.high for t in tests)
    last = [pump.tests[-1] for v in vehicles.values() for pump in v.pumps if pump.tests]
    assert {test.record_id for test in last} <= {test.record_id for test in tests}


def test_set_aside_readings_are_those_the_verdict_counts(
    vehicles: dict[str, VehicleInFull],
) -> None:
    for found in vehicles.values():
        aside = sum(
            any(r is not None and r.is_set_aside for r in (t.proof_ratio, t.build_rate_bar_per_s))
            for t in found.pumps[-1].tests
        )
        said = f"{aside} test{'s' if aside > 1 else ''} set aside as botched"
        assert (said in found.verdict["reasons"]) == (aside > 0 and found.verdict["n_tests"] > 0)


def test_the_forecast_starts_from_the_verdict(vehicles: dict[str, VehicleInFull]) -> None:
    for found in vehicles.values():
        now, verdict = found.ahead[0], found.verdict
        if verdict["n_tests"]:
            assert now.reserve.middle == pytest.approx(verdict["delivery_reserve"])
            assert now.proof_ratio.low == pytest.approx(verdict["proof_ratio_low"])
        at_horizon = next(a for a in found.ahead if a.days == verdict["horizon_days"])
        assert verdict["probability_below_limit"] == pytest.approx(
            max(now.probability_below_limit, at_horizon.probability_below_limit)
        )
        assert found.ahead[-1].days == 365


def test_before_its_first_day_there_is_nothing_to_tell(published: Loaded) -> None:
    with published.store() as store:
        early = datetime(2010, 1, 1, tzinfo=UTC)
        args = (store, published.settings, published.fleet_id)
        assert vehicle_in_full(*args, "LM-0001", early) is None
        with pytest.raises(NotFoundError):
            vehicle_in_full(*args, "LM-9999", AT)


def test_without_anything_published_the_verdict_is_still_the_same(
    tmp_path: Path, published: Loaded
) -> None:
    fresh = load_fleet(small_fleet(), tmp_path)
    with fresh.store() as store:
        for name in ("LM-0002", "LM-0007", "LM-0013"):
            found = vehicle_in_full(store, fresh.settings, fresh.fleet_id, name, AT)
            own = current_verdict(store, fresh.settings, fresh.fleet_id, name, AT)
            assert found is not None
            assert found.verdict == own
