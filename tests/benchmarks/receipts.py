"""What a receipt's verdict costs beside storing the record, in the context of a large fleet."""

from __future__ import annotations

import time
from datetime import date, timedelta
from pathlib import Path
from statistics import median
from uuid import UUID

import numpy as np

from fleetdb.records.documents import Kind, PumpFamily, TestRecord, Vehicle
from fleetdb.report.receipt import receive_test_record
from fleetdb.settings import Settings
from fleetdb.store.engine import open_store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.ingest import accept
from fleetdb.timestamps import format_rfc3339
from tests.benchmarks.big_fleet import AS_OF, FAMILIES, FAMILY, FLEET_ID, TESTS, vehicle_name
from tests.benchmarks.big_truth import fill_truth

_TIMED = 20
_OTHERS = 10_000


def receipts_ms(home: Path) -> tuple[float, float]:
    """Return what storing a record takes, and what the verdict adds to its receipt. [ms]

    Of a vehicle with ``TESTS`` records, in a fleet whose snapshot is published below ``home``, in a
    truth with the records of ``_OTHERS`` vehicles more;
    medians of processor time, which other work on the machine moves less than the clock.
    """
    settings = Settings.from_environment({"FLEETDB_HOME": str(home)})
    store = open_store(settings)
    try:
        with store.write() as session:
            fleet_id = resolve_fleet(session, None).id
            assert fleet_id == FLEET_ID
            family = PumpFamily.model_validate(
                {"pump_family": FAMILIES[0], "rail_max_bar": 1600, **FAMILY}
            )
            vehicle = Vehicle(
                vehicle=vehicle_name(0),
                pump_family=family.pump_family,
                in_service_on=date(2020, 1, 1),
            )
            accept(session, fleet_id, Kind.PUMP_FAMILIES, family, "benchmark", None)
            accept(session, fleet_id, Kind.VEHICLES, vehicle, "benchmark", None)
            fill_truth(session, fleet_id, _OTHERS)
        took_ms: dict[bool, list[float]] = {True: [], False: []}
        for n in range(TESTS + 2 * _TIMED):
            with_verdict = n >= TESTS and n % 2 == 0
            began_s = time.process_time()
            receive_test_record(
                store, settings, fleet_id, _test(n), "benchmark", None, with_verdict=with_verdict
            )
            if n >= TESTS:
                took_ms[with_verdict].append(1000 * (time.process_time() - began_s))
    finally:
        store.close()
    alone_ms = median(took_ms[False])
    return alone_ms, median(took_ms[True]) - alone_ms


def _test(n: int) -> TestRecord:
    rng = np.random.default_rng(n)
    return TestRecord.model_validate(
        {
            "record_id": str(UUID(int=n + (4 << 76) + (8 << 60))),
            "vehicle": vehicle_name(0),
            "performed_at": format_rfc3339(AS_OF - timedelta(days=18 * (TESTS + 2 * _TIMED - n))),
            "odometer_km": 50_000 + 1_500 * n,
            "kit": f"kit-{n % 3}",
            "conditions": {"fuel_temp_c": round(35 + 8 * rng.normal()), "crank_rpm": 220},
            "proof": {"target_bar": 700, "actual_bar": round(665 * (1 + 0.015 * rng.normal()))},
            "build": {
                "rate_bar_per_s": round(200 * np.exp(0.05 * rng.normal())),
                "from_bar": 140,
                "to_bar": 490,
            },
        }
    )
