"""What a whole fleet's assessment costs, as ratios in one run: a command, not part of the suite.

    uv run python -m tests.benchmarks.assessment [--vehicles 100000]

An invented fleet of that size and one of a tenth, 60 records a vehicle, is assessed from mirror
to published snapshot, each in a process of its own, and set against

- DuckDB's bare ``regr_slope ... GROUP BY vehicle`` over the same Parquet files;
- ``scipy.stats.theilslopes`` in a loop, timed on 500 vehicles and scaled up;
- the fleet of a tenth.

Then a vehicle of the larger one is sent 60 records and more, and what the verdict adds to a receipt
is set against storing the record.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
from scipy.stats import theilslopes

from fleetdb.trend.pipeline import assess
from fleetdb.warehouse.layout import mirror_folder
from fleetdb.warehouse.manifest import read_manifest
from fleetdb.warehouse.snapshot import publish
from fleetdb.warehouse.views import open_mirror, parquet_source
from tests.benchmarks.big_fleet import AS_OF, FLEET_ID, TESTS, write_mirror
from tests.benchmarks.receipts import receipts_ms

_SAMPLED = 500
_BARE_RUNS = 3


def _records(home: Path) -> str:
    folder = mirror_folder(home, FLEET_ID)
    manifest = read_manifest(folder)
    assert manifest is not None
    return parquet_source([folder / part.path for part in manifest.parts_of("test_records")])


def bare_slope_s(home: Path) -> float:
    """Return the time of the bare query, the best of a few."""
    sql = (
        "SELECT vehicle, regr_slope(actual_bar / target_bar, epoch(performed_at)) AS slope "
        f"FROM {_records(home)} GROUP BY vehicle"
    )
    times = []
    for _ in range(_BARE_RUNS):
        with duckdb.connect() as connection:
            began_s = time.perf_counter()
            connection.execute(sql).fetchnumpy()
            times.append(time.perf_counter() - began_s)
    return min(times)


def theil_sen_s(home: Path, n_vehicles: int) -> float:
    """Return the time a loop over the fleet would take, from a loop over some of it."""
    with duckdb.connect() as connection:
        series = connection.execute(
            "SELECT list(actual_bar / target_bar), list(epoch(performed_at)) "
            f"FROM {_records(home)} GROUP BY vehicle ORDER BY vehicle LIMIT {_SAMPLED}"
        ).fetchall()
    began_s = time.perf_counter()
    for ratios, at_s in series:
        theilslopes(ratios, at_s)
    return (time.perf_counter() - began_s) * n_vehicles / len(series)


def assess_here(home: Path) -> None:
    """Assess and publish; print the time and this process's peak memory."""
    began_s = time.perf_counter()
    with open_mirror(home, FLEET_ID) as connection:
        assessment = assess(connection, AS_OF)
    publish(home, FLEET_ID, assessment.tables, assessment.meta)
    peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(json.dumps({"s": time.perf_counter() - began_s, "peak_gib": peak_gib}))


def _in_another_process(home: Path) -> dict[str, float]:
    answer = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.assessment", "--assess", str(home)],
        check=True,
        capture_output=True,
        text=True,
    )
    return json.loads(answer.stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=100_000)
    parser.add_argument("--assess", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.assess is not None:
        assess_here(given.assess)
        return
    took = {}
    with TemporaryDirectory(prefix="fleetdb-benchmark-") as folder:
        for n_vehicles in (given.vehicles // 10, given.vehicles):
            home = Path(folder) / str(n_vehicles)
            write_mirror(home, n_vehicles)
            bare_s = bare_slope_s(home)
            took[n_vehicles] = whole = _in_another_process(home)
            print(
                f"{n_vehicles} vehicles x {TESTS} records: {whole['s']:.1f} s, "
                f"peak {whole['peak_gib']:.1f} GiB; "
                f"{whole['s'] / bare_s:.0f} times the bare regr_slope ({bare_s:.2f} s); "
                f"{whole['s'] / theil_sen_s(home, n_vehicles):.2f} times a loop of theilslopes",
                flush=True,
            )
        storing_ms, verdict_ms = receipts_ms(home)
    tenth, full = (each["s"] for each in took.values())
    print(f"ten times the fleet: {full / tenth:.1f} times the time")
    print(
        f"a receipt: {verdict_ms:.0f} ms of processor time for the verdict, "
        f"{verdict_ms / storing_ms:.1f} times the {storing_ms:.0f} ms of storing the record"
    )


if __name__ == "__main__":
    main()
