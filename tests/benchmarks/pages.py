"""What the pages cost in a large fleet: a command, not part of the suite.

    uv run python -m tests.benchmarks.pages [--vehicles 100000] [--keep FOLDER]

An invented fleet is loaded into the truth, mirrored, assessed and served by the real server.
Each page is asked for many times by a manager; the server's own time is told (no drawing by a
browser), beside that of ``/healthz`` for scale, and what is transferred, compressed as served.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID

import httpx
import numpy as np

from fleetdb.settings import Settings
from fleetdb.store.engine import open_store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.loading import load_paths
from fleetdb.store.tokens import create_token
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.refresh import refresh
from tests.benchmarks.big_fleet import AS_OF, vehicle_name

_TESTS = 3
_LONG_HISTORIES, _LONG_TESTS = 50, 60
_ASKED = 60
_WAITING = "A month ago is being worked out"
_FAMILY = {
    "pump_family": "bench-1600",
    "rail_max_bar": 1600,
    "proof_duty_pct": 45,
    "proof_target_bar": 700,
    "cylinders": 4,
    "proof_ratio_limit": 0.8,
    "reference_fuel_temp_c": 40,
    "reference_crank_rpm": 220,
}


def write_documents(folder: Path, n_vehicles: int) -> None:
    """Write a family, its vehicles, and few tests of most and many of some."""
    folder.mkdir(parents=True)
    (folder / "pump_families.ndjson").write_text(json.dumps(_FAMILY) + "\n")
    with (folder / "vehicles.ndjson").open("w") as vehicles:
        for v in range(n_vehicles):
            vehicle = {
                "vehicle": vehicle_name(v),
                "pump_family": _FAMILY["pump_family"],
                "in_service_on": "2021-01-01",
                "depot": f"depot-{v // 500:03}",
            }
            vehicles.write(json.dumps(vehicle) + "\n")
    rng = np.random.default_rng(7)
    with (folder / "test_records.ndjson").open("w") as records:
        for v in range(n_vehicles):
            for record in _tests_of(v, rng):
                records.write(json.dumps(record) + "\n")


def _tests_of(v: int, rng: np.random.Generator) -> Iterator[dict]:
    n = _LONG_TESTS if v < _LONG_HISTORIES else _TESTS
    worn = rng.random() < 0.03
    for t, day in enumerate(np.sort(rng.uniform(5, 1800 if n > _TESTS else 400, n))[::-1]):
        ratio = (0.85 - 0.01 * t if worn else 0.95) * (1 + 0.015 * rng.normal())
        yield {
            "record_id": str(UUID(int=(v << 16) + t + (4 << 76) + (8 << 60))),
            "vehicle": vehicle_name(v),
            "performed_at": format_rfc3339(AS_OF - timedelta(days=float(day))),
            "odometer_km": round(200_000 - 90 * float(day)),
            "workshop": f"workshop-{v // 500:03}",
            "kit": f"kit-{v // 100:04}",
            "conditions": {"fuel_temp_c": round(35 + 8 * rng.normal()), "crank_rpm": 220},
            "proof": {"duty_pct": 45, "target_bar": 700, "actual_bar": round(700 * ratio)},
            "build": {
                "rate_bar_per_s": round((200 if worn else 300) * np.exp(0.05 * rng.normal())),
                "from_bar": 140,
                "to_bar": 490,
            },
        }


def prepare(folder: Path, n_vehicles: int) -> tuple[Settings, str]:
    """Load, mirror and assess; return the settings and a manager's token."""
    settings = Settings.from_environment({"FLEETDB_HOME": str(folder / "home")})
    new = not folder.joinpath("documents").exists()
    if new:
        write_documents(folder / "documents", n_vehicles)
    store = open_store(settings)
    try:
        with store.read() as session:
            fleet = resolve_fleet(session, None)
        if new:
            began_s = time.perf_counter()
            told = load_paths(
                store, fleet.id, [folder / "documents"], folder / "refused.ndjson", "benchmark"
            )
            assert told.refused_path is None, told.refused_path
            print(f"loaded in {time.perf_counter() - began_s:.0f} s", flush=True)
        # As of today, so that the server finds the snapshot good and does not assess beside its
        # answers; nothing is done where that is there already.
        began_s = time.perf_counter()
        if refresh(store, fleet.id, settings.home):
            print(f"mirrored and assessed in {time.perf_counter() - began_s:.0f} s", flush=True)
        with store.write() as session:
            _, token = create_token(session, "bench", "manager", [fleet], actor="benchmark")
    finally:
        store.close()
    return settings, token


@contextmanager
def served(settings: Settings) -> Iterator[str]:
    """Run the real server on a free port; give its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-c", "from fleetdb.cli.main import run; run()"]
    process = subprocess.Popen(
        [*command, "serve", "--port", str(port)],
        env={**os.environ, **settings.environment()},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(600):
            try:
                httpx.get(f"{url}/healthz")
                break
            except httpx.TransportError:
                time.sleep(0.1)
        yield url
    finally:
        process.terminate()
        process.wait(30)


def ask(client: httpx.Client, name: str, addresses: list[str]) -> None:
    """Ask for the addresses in turn and print what it took."""
    took_ms, sent_kb = [], []
    first = client.get(addresses[0])
    assert first.status_code == 200, (name, first.status_code)
    for n in range(_ASKED):
        began_s = time.perf_counter()
        with client.stream("GET", addresses[n % len(addresses)]) as answer:
            raw = b"".join(answer.iter_raw())
        took_ms.append(1000 * (time.perf_counter() - began_s))
        sent_kb.append(len(raw) / 1000)
    middle, late = np.quantile(took_ms, [0.5, 0.95])
    print(f"{name:36s} median {middle:7.1f} ms, 95 % within {late:7.1f} ms, {max(sent_kb):6.1f} kB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=100_000)
    parser.add_argument("--keep", type=Path, help="keep the fleet in this folder, or use it again")
    given = parser.parse_args()
    with TemporaryDirectory(prefix="fleetdb-benchmark-") as temporary:
        settings, token = prepare(given.keep or Path(temporary), given.vehicles)
        with served(settings) as url, httpx.Client(base_url=url, timeout=600) as client:
            form = client.get("/sign-in").text
            found = re.search(r'name="form_key" value="([0-9a-f]{64})"', form)
            assert found is not None
            client.post("/sign-in", data={"form_key": found[1], "token": token, "next": "/"})
            few = [vehicle_name(v) for v in range(_LONG_HISTORIES, _LONG_HISTORIES + 20)]
            many = [vehicle_name(v) for v in range(20)]
            vehicles = [
                (f"vehicle of {_TESTS} tests", [f"/vehicles/{name}" for name in few]),
                (f"vehicle of {_LONG_TESTS} tests", [f"/vehicles/{name}" for name in many]),
            ]
            ask(client, "/healthz", ["/healthz"])
            # The first look at the list has the server assess the fleet as of a month ago.
            ask(client, "action list, fleet being assessed", ["/"])
            for told, addresses in vehicles:
                ask(client, f"{told}, likewise", addresses)
            while _WAITING in client.get("/").text:
                time.sleep(1)
            ask(client, "action list", ["/"])
            ask(client, "action list, far pages", [f"/?state=all&page={n}" for n in (900, 40)])
            ask(client, "action list, by vehicle", ["/?state=all&vehicle=0123"])
            for told, addresses in vehicles:
                ask(client, told, addresses)
            ask(
                client,
                "its picture, drawn before",
                [f"/vehicles/{name}/tests.svg" for name in many[:4]],
            )
            for address in ("/planned-tests", "/kits", "/data-quality", "/record?find=B00"):
                ask(client, address, [address])


if __name__ == "__main__":
    main()
