"""One vehicle's verdict from the truth, in the context of the published fleet."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest
from sqlalchemy import select

from fleetdb.errors import NotFoundError
from fleetdb.store.tables import VehicleIdentity
from fleetdb.trend.one_vehicle import current_verdict, fleet_context, vehicle_connection
from fleetdb.trend.pipeline import assess_vehicle
from fleetdb.trend.refresh import refresh
from fleetdb.warehouse.snapshot import open_snapshot
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from fleetdb.warehouse.views import register_tables
from tests.fleetdb.trend.small_tables import assert_same
from tests.loaded_fleets import Loaded, load_fleet, small_fleet

AT = datetime(2026, 5, 31, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    loaded = load_fleet(small_fleet(), tmp_path_factory.mktemp("published"))
    with loaded.store() as store:
        refresh(store, loaded.fleet_id, loaded.settings.home, as_of=AT)
    return loaded


def verdict_of(loaded: Loaded, vehicle: str, as_of: datetime | None = AT) -> dict[str, Any] | None:
    with loaded.store() as store:
        return current_verdict(store, loaded.settings, loaded.fleet_id, vehicle, as_of)


def test_a_receipts_verdict_is_the_published_one(published: Loaded) -> None:
    snapshot = open_snapshot(published.settings.home, published.fleet_id)
    with snapshot.connection() as connection:
        rows = connection.sql("FROM verdicts").to_arrow_table().to_pylist()
    snapshot.close()

    for row in rows[::7]:
        own = verdict_of(published, row["vehicle"])
        assert own is not None
        assert_same(row, own)


def test_whoever_was_judged_before_makes_no_difference(published: Loaded) -> None:
    """One connection serves vehicle after vehicle; a new one for each says the same."""
    context = fleet_context(published.settings.home, published.fleet_id)
    assert context is not None
    with published.store() as store, store.read() as session:
        names = session.scalars(select(VehicleIdentity.vehicle)).all()[::4]
        tables = {name: vehicle_tables(session, published.fleet_id, name) for name in names}
    asked = [
        (name, moment, known)
        for name in names
        for moment in (AT, AT - timedelta(days=500), AT - timedelta(days=4000))
        for known in (context, None)
    ]
    random.Random(7).shuffle(asked)
    told = set()
    for name, moment, known in asked:
        with vehicle_connection(known) as served:
            register_tables(served, tables[name])
            rows = assess_vehicle(served, moment, known).to_pylist()
        with duckdb.connect() as alone:
            register_tables(alone, tables[name])
            expected = assess_vehicle(alone, moment, known).to_pylist()
        assert len(rows) == len(expected)
        for row, other in zip(rows, expected, strict=True):
            assert_same(row, other)
            told.add(row["state"])
    assert len(told) >= 4


def test_vehicles_may_be_judged_at_the_same_time(published: Loaded) -> None:
    names = ["LM-0001", "LM-0002", "LM-0003", "LM-0004"]
    expected = [verdict_of(published, name) for name in names]
    with ThreadPoolExecutor(4) as pool:
        for _ in range(3):
            assert list(pool.map(lambda name: verdict_of(published, name), names)) == expected


def test_a_vehicle_before_its_first_day_has_no_verdict(published: Loaded) -> None:
    assert verdict_of(published, "LM-0001", datetime(2010, 1, 1, tzinfo=UTC)) is None


def test_an_unknown_vehicle_is_not_found(published: Loaded) -> None:
    with pytest.raises(NotFoundError):
        verdict_of(published, "LM-9999")


def test_without_a_date_the_verdict_is_of_now(published: Loaded) -> None:
    before = datetime.now(UTC).date()
    row = verdict_of(published, "LM-0001", None)

    assert row is not None
    assert before <= row["as_of"] <= datetime.now(UTC).date()


def test_the_context_is_that_of_the_current_snapshot(published: Loaded, tmp_path: Path) -> None:
    context = fleet_context(published.settings.home, published.fleet_id)

    assert context is not None
    assert len(context.constants) == 3
    assert context.kit_bias.num_rows > 100
    assert fleet_context(tmp_path, published.fleet_id) is None
