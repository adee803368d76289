"""Generated fleets, loaded and mirrored as a user would have them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import duckdb

from demo_fleet.generate import Fleet, generate
from demo_fleet.options import FleetOptions
from fleetdb.settings import Settings
from fleetdb.store.engine import Store, open_store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.loading import load_paths
from fleetdb.warehouse.mirror import sync
from fleetdb.warehouse.views import open_mirror


@cache
def small_fleet() -> Fleet:
    """Return 60 vehicles of two years; one for the whole test session."""
    return generate(FleetOptions(vehicles=60, years=2.0, seed=5))


@dataclass(frozen=True)
class Loaded:
    """A fleet in a database of its own, mirrored."""

    fleet: Fleet
    settings: Settings
    fleet_id: int

    @contextmanager
    def store(self) -> Iterator[Store]:
        store = open_store(self.settings)
        try:
            yield store
        finally:
            store.close()

    @contextmanager
    def mirror(self) -> Iterator[duckdb.DuckDBPyConnection]:
        with open_mirror(self.settings.home, self.fleet_id) as connection:
            yield connection


def load_fleet(fleet: Fleet, folder: Path) -> Loaded:
    """Write a fleet's documents below ``folder``, load and mirror them there."""
    fleet.write(folder / "documents")
    settings = Settings.from_environment({"FLEETDB_HOME": str(folder / "home")})
    store = open_store(settings)
    try:
        with store.read() as session:
            fleet_id = resolve_fleet(session, None).id
        load_paths(store, fleet_id, [folder / "documents"], folder / "refused.ndjson", "tests")
        sync(store, fleet_id, settings.home)
    finally:
        store.close()
    return Loaded(fleet, settings, fleet_id)
