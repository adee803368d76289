"""An invented fleet of any size written straight into a mirror, as a sync would have left it.

Loading six million documents through the store takes most of an hour and says nothing of an
assessment. The pumps obey the trend's own model (reserve, soft cap, viscosity, kits), which is
of no weight here: a benchmark asks how long, not how well.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa

from fleetdb.fluid import REFERENCE_DIESEL
from fleetdb.records.trend_schemas import CYLINDER_LEAKS
from fleetdb.store.feed import Mark
from fleetdb.timestamps import format_rfc3339
from fleetdb.warehouse.layout import mirror_folder
from fleetdb.warehouse.manifest import Manifest
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES, schema_digest
from fleetdb.warehouse.parts import grow

FLEET_ID = 1
TESTS = 60
AS_OF = datetime(2026, 6, 30, 12, tzinfo=UTC)
FAMILIES = ("bench-1600", "bench-1800", "bench-2000")
FAMILY = {
    "proof_duty_pct": 45.0,
    "proof_target_bar": 700.0,
    "cylinders": 4,
    "proof_ratio_limit": 0.8,
    "reference_fuel_temp_c": 40.0,
    "reference_crank_rpm": 220.0,
}
"""What all families have in common."""
_VEHICLES_PER_KIT = 50
_YEARS = 5.0
_AT_ONCE = 4_000
_STARTS = (AS_OF - timedelta(days=365.25 * _YEARS)).replace(tzinfo=None)


def write_mirror(home: Path, n_vehicles: int, seed: int = 7) -> None:
    """Write the mirror of ``n_vehicles`` with ``TESTS`` records each under ``home``."""
    folder = mirror_folder(home, FLEET_ID)
    folder.mkdir(parents=True)
    tables = {
        "test_records": _test_records(n_vehicles, seed),
        "vehicles": iter([_vehicles(n_vehicles)]),
        "pump_families": iter([_pump_families()]),
    }
    parts = []
    for name, table in MIRROR_TABLES.items():
        parts += grow(folder, table, [], tables.get(name, iter(())))
    Manifest(
        mark=Mark("benchmark", 0, "", 0, 0, ()),
        schema=schema_digest(),
        mirrored_at=format_rfc3339(AS_OF),
        parts=tuple(parts),
        dropped=(),
    ).write(folder)


def vehicle_name(number: int) -> str:
    """Return the fleet number of a vehicle."""
    return f"B{number:06}"


def _numbered(columns: dict, name: str, first: int) -> pa.Table:
    n = len(next(iter(columns.values())))
    schema = MIRROR_TABLES[name].schema
    columns = {"row_id": np.arange(first, first + n), **columns}
    return pa.table(
        [
            pa.array(columns[f.name], type=f.type, from_pandas=True)
            if f.name in columns
            else pa.nulls(n, f.type)
            for f in schema
        ],
        schema=schema,
    )


def _vehicles(n_vehicles: int) -> pa.Table:
    numbers = range(n_vehicles)
    return _numbered(
        {
            "vehicle": [vehicle_name(i) for i in numbers],
            "pump_family": [FAMILIES[i % 3] for i in numbers],
            "in_service_on": [_STARTS.date()] * n_vehicles,
            "depot": [f"depot-{i // 500:03}" for i in numbers],
        },
        "vehicles",
        1,
    )


def _pump_families() -> pa.Table:
    return _numbered(
        {
            "pump_family": list(FAMILIES),
            "applies_from": [date(2015, 1, 1)] * 3,
            "rail_max_bar": [1600.0, 1800.0, 2000.0],
            **{name: [value] * 3 for name, value in FAMILY.items()},
        },
        "pump_families",
        1,
    )


def _test_records(n_vehicles: int, seed: int) -> Iterator[pa.Table]:
    rng = np.random.default_rng(seed)
    n_kits = max(n_vehicles // _VEHICLES_PER_KIT, 2)
    ln_kit = rng.normal(0, 0.01, n_kits) + np.where(rng.random(n_kits) < 0.1, -0.05, 0.0)
    for first in range(0, n_vehicles, _AT_ONCE):
        vehicles = np.arange(first, min(first + _AT_ONCE, n_vehicles))
        yield _of_vehicles(vehicles, ln_kit, rng)


def _of_vehicles(vehicles: np.ndarray, ln_kit: np.ndarray, rng: np.random.Generator) -> pa.Table:
    n = len(vehicles)
    age_y = np.sort(rng.random((n, TESTS)), axis=1) * _YEARS
    temp_c = 32 - 12 * np.cos(2 * np.pi * age_y) + rng.normal(0, 6, age_y.shape)
    ln_speed = rng.normal(-0.02, 0.05, age_y.shape)
    wears = rng.random((n, 1)) < 0.2
    onset = rng.uniform(0, _YEARS, (n, 1))
    ln_reserve = rng.normal(np.log(1.65), 0.13, (n, 1)) - np.where(
        wears, 0.35 * np.maximum(age_y - onset, 0.0), 0.02 * age_y
    )
    reach = ln_reserve + ln_speed + REFERENCE_DIESEL.ln_viscosity_ratio(temp_c, 40.0)
    kit = (vehicles[:, None] // _VEHICLES_PER_KIT + rng.integers(0, 3, age_y.shape)) % len(ln_kit)
    cap = rng.normal(np.log(0.95), 0.02, (n, 1))
    ln_ratio = -np.logaddexp(-12 * reach, -12 * cap) / 12 + ln_kit[kit]
    ln_build = np.log(200.0) + 0.6 * (ln_reserve - np.log(1.65)) + ln_speed + ln_kit[kit]
    leak = 12 * np.exp(rng.normal(0, 0.1, (n * TESTS, 4)))
    rows = np.arange(n * TESTS) + int(vehicles[0]) * TESTS
    at = np.datetime64(_STARTS, "us") + (age_y * 365.25 * 86_400e6).astype("timedelta64[us]")
    has_leak = np.arange(n * TESTS) % 5 < 2

    def missing(values: np.ndarray, share: float) -> np.ndarray:
        return np.where(rng.random(values.shape) < share, np.nan, values).ravel()

    return _numbered(
        {
            "record_id": [f"00000000-0000-4000-8000-{row:012x}" for row in rows],
            "vehicle": np.repeat([vehicle_name(i) for i in vehicles], TESTS),
            "performed_at": at.ravel(),
            "received_at": at.ravel(),
            "odometer_km": (1000 + age_y * 40_000).ravel(),
            "workshop": np.repeat([f"workshop-{i // 500:03}" for i in vehicles], TESTS),
            "kit": np.char.add("kit-", kit.ravel().astype(str)),
            "fuel_temp_c": missing(temp_c, 0.15),
            "crank_rpm": missing(220 * np.exp(ln_speed), 0.1),
            "duty_pct": np.full(n * TESTS, 45.0),
            "target_bar": np.full(n * TESTS, 700.0),
            "actual_bar": (700 * np.exp(ln_ratio + rng.normal(0, 0.018, age_y.shape))).ravel(),
            "rate_bar_per_s": missing(np.exp(ln_build + rng.normal(0, 0.05, age_y.shape)), 0.15),
            "from_bar": np.full(n * TESTS, 140.0),
            "to_bar": np.full(n * TESTS, 490.0),
            "leak_duration_s": np.where(has_leak, 60.0, np.nan),
            "leak_cylinders": _leaks(leak, has_leak),
        },
        "test_records",
        int(vehicles[0]) * TESTS + 1,
    )


def _leaks(ml: np.ndarray, has_leak: np.ndarray) -> pa.Array:
    """Return lists of cylinders, null where no leak run was made."""
    given = ml[has_leak]
    cylinders = pa.StructArray.from_arrays(
        [
            pa.array(np.tile(np.arange(1, 5, dtype=np.int32), len(given))),
            pa.array(given.ravel()),
        ],
        fields=list(CYLINDER_LEAKS.value_type),
    )
    offsets = np.concatenate([[0], np.cumsum(np.where(has_leak, 4, 0))]).astype(np.int32)
    return pa.ListArray.from_arrays(
        pa.array(offsets), cylinders, type=CYLINDER_LEAKS, mask=pa.array(~has_leak)
    )
