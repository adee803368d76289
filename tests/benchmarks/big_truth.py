"""Other vehicles with their records, written straight into the truth beside the one measured.

What one vehicle's rows cost to read shows only where the truth is full of others'.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import insert
from sqlalchemy.orm import Session

from fleetdb.store.tables import (
    BuildReading,
    ProofReading,
    TestRecordRow,
    VehicleIdentity,
    VehicleVersion,
)
from tests.benchmarks.big_fleet import AS_OF, FAMILIES, TESTS

_AT_ONCE = 5_000
# Beyond the ids of what is accepted in the ordinary way.
_FIRST_ID = 1_000_000


def fill_truth(session: Session, fleet_id: int, n_vehicles: int) -> None:
    """Write ``n_vehicles`` with ``TESTS`` records each, a proof and a build rate in each."""
    vehicles = range(_FIRST_ID, _FIRST_ID + n_vehicles)
    records = range(_FIRST_ID, _FIRST_ID + n_vehicles * TESTS)
    received = {"fleet_id": fleet_id, "received_at": AS_OF, "digest": "0" * 64}
    of_family = {"pump_family": FAMILIES[0], "in_service_on": date(2020, 1, 1)}
    proof, build = {"target_bar": 700.0, "actual_bar": 690.0}, {"rate_bar_per_s": 300.0}
    for table, ids, row in (
        (VehicleIdentity, vehicles, lambda n: {"fleet_id": fleet_id, "vehicle": f"other-{n}"}),
        (VehicleVersion, vehicles, lambda n: {**received, **of_family, "vehicle_id": n}),
        (
            TestRecordRow,
            records,
            lambda n: {
                **received,
                "record_id": UUID(int=n + (4 << 76) + (8 << 60) + (1 << 100)),
                "vehicle_id": _FIRST_ID + (n - _FIRST_ID) % n_vehicles,
                "performed_at": AS_OF - timedelta(hours=n % 40_000),
            },
        ),
    ):
        _write(session, table, ids, lambda n, row=row: {"id": n, **row(n)})
    _write(session, ProofReading, records, lambda n: {"test_record_id": n, **proof})
    _write(session, BuildReading, records, lambda n: {"test_record_id": n, **build})


def _write(session: Session, table: Any, ids: range, row: Callable[[int], dict[str, Any]]) -> None:
    for first in range(ids.start, ids.stop, _AT_ONCE):
        some = range(first, min(first + _AT_ONCE, ids.stop))
        session.execute(insert(table), [row(n) for n in some])
