"""One vehicle's verdict, brought up to date from the truth, in the context of its fleet."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.trend_settings import read_trend_settings
from fleetdb.trend.assessment import CONTEXT_TABLES, METHOD, USUAL_TABLES, FleetContext
from fleetdb.trend.pipeline import assess_vehicle
from fleetdb.warehouse.layout import snapshots_folder
from fleetdb.warehouse.planned import PlannedConnection
from fleetdb.warehouse.snapshot import Snapshot, current_name
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from fleetdb.warehouse.views import register_tables


def current_verdict(
    store: Store,
    settings: Settings,
    fleet_id: int,
    vehicle: str,
    as_of: datetime | None = None,
) -> dict[str, Any] | None:
    """Return the verdict on the vehicle's present pump, or None before its first day.

    The vehicle's own records are read from the truth, so a record just committed counts;
    constants, kits and usual conditions are those of the published snapshot.

    Raises
    ------
    NotFoundError
        No vehicle of that name in the fleet.
    """
    with store.read() as session:
        tables = vehicle_tables(session, fleet_id, vehicle)
        own = read_trend_settings(session, fleet_id)
    context = fleet_context(settings.home, fleet_id)
    with vehicle_connection(context) as connection:
        register_tables(connection, tables, own)
        rows = assess_vehicle(connection, as_of or datetime.now(UTC), context)
    return rows.to_pylist()[0] if len(rows) else None


_idle: list[PlannedConnection] = []
_MOST_IDLE = 4
"""Some 18 MB each."""


@contextmanager
def vehicle_connection(context: FleetContext | None) -> Iterator[PlannedConnection]:
    """Give a DuckDB for the tables of one vehicle, with what is usual in its fleet in it."""
    try:
        planned = _idle.pop()
    except IndexError:
        planned = PlannedConnection()
    if context is not None:
        planned.hold({name: getattr(context, name) for name in USUAL_TABLES})
    with planned.one_vehicle():
        yield planned
    if len(_idle) < _MOST_IDLE:
        _idle.append(planned)
    else:
        planned.close()


def fleet_context(home: Path, fleet_id: int) -> FleetContext | None:
    """Return the context of the fleet's current snapshot.

    None when there is none yet, or when it was made by another version of the method.
    """
    name = current_name(home, fleet_id)
    return None if name is None else _context_of(snapshots_folder(home, fleet_id) / name)


@lru_cache(maxsize=16)
def _context_of(folder: Path) -> FleetContext | None:
    snapshot = Snapshot(folder)
    try:
        if snapshot.meta.get("method") != METHOD:
            return None
        with snapshot.connection() as connection:
            return FleetContext.of(
                {name: connection.table(name).to_arrow_table() for name in CONTEXT_TABLES}
            )
    finally:
        snapshot.close()
