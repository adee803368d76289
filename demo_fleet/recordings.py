"""Pressure against time as a kit would have recorded it, for some vehicles' newest tests.

Drawn after what the technician wrote down, so that the recording bears the record out: pressure
at rest, a climb that takes the written rate between the written pressures, the written plateau,
and the fall when cranking ends. The climb is the first-order approach of the rail's balance
(``demo_fleet.physics``) towards a pressure beyond the plateau, where the regulator cuts it off.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from demo_fleet.generate import Fleet
from demo_fleet.habits import Record
from demo_fleet.physics import Array

MOST_RECORDINGS = 24
_RATE_HZ, _LENGTH_S = 100.0, 10.0
_CRANKED_FROM_S, _CRANKED_TO_S = 1.0, 9.0
_REST_BAR, _NOISE_BAR = 4.0, 1.5
# What the pump heads for beyond its plateau, and how fast the rail then loses it: invented.
_BEYOND_PLATEAU = 1.25
_FALL_S = 3.0


def write_recordings(fleet: Fleet, folder: Path, seed: int) -> int:
    """Write a CSV file for the newest complete test of up to ``MOST_RECORDINGS`` vehicles.

    Returns how many were written. Files are named as ``fleetdb load`` knows them.
    """
    newest: dict[str, Record] = {}
    for line in fleet.test_record_lines:
        if line.expected == "accepted" and line.slip is None and _is_complete(line.record):
            newest[line.record["vehicle"]] = line.record
    chosen = [newest[vehicle] for vehicle in sorted(newest)[:MOST_RECORDINGS]]
    for index, record in enumerate(chosen):
        rng = np.random.default_rng([seed, index])
        path = folder / f"traces-{record['record_id']}-proof-unplugged.csv"
        path.write_text(_csv(*recording(record, rng)), encoding="utf-8", newline="\n")
    return len(chosen)


def recording(record: Record, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Return time [s], rail pressure [bar] and crank speed [1/min] of a proof.

    ``record`` has proof, build with its span, and crank speed; the build ended below the plateau.
    """
    proof, build = record["proof"], record["build"]
    plateau_bar, rate = proof["actual_bar"], build["rate_bar_per_s"]
    from_bar, to_bar = build["from_bar"], build["to_bar"]
    towards_bar = _BEYOND_PLATEAU * plateau_bar
    time_constant_s = (to_bar - from_bar) / (
        rate * np.log((towards_bar - from_bar) / (towards_bar - to_bar))
    )
    time_s = np.arange(round(_LENGTH_S * _RATE_HZ)) / _RATE_HZ
    cranked_s = np.clip(time_s - _CRANKED_FROM_S, 0.0, _CRANKED_TO_S - _CRANKED_FROM_S)
    climb_bar = _REST_BAR + (towards_bar - _REST_BAR) * -np.expm1(-cranked_s / time_constant_s)
    after_s = np.maximum(time_s - _CRANKED_TO_S, 0.0)
    rail_bar = np.minimum(climb_bar, plateau_bar) * np.exp(-after_s / _FALL_S)
    rail_bar += _NOISE_BAR * rng.standard_normal(len(time_s))
    is_cranked = (time_s >= _CRANKED_FROM_S) & (time_s < _CRANKED_TO_S)
    return time_s, rail_bar, np.where(is_cranked, record["conditions"]["crank_rpm"], 0.0)


def _is_complete(record: Record) -> bool:
    proof, build = record.get("proof"), record.get("build")
    if proof is None or build is None or "crank_rpm" not in record.get("conditions", {}):
        return False
    return "to_bar" in build and build["to_bar"] < 0.8 * proof["actual_bar"]


def _csv(time_s: Array, rail_bar: Array, crank_rpm: Array) -> str:
    rows = zip(time_s, rail_bar, crank_rpm, strict=True)
    lines = [f"{s:.2f},{bar:.1f},{rpm:.0f}" for s, bar, rpm in rows]
    return "\n".join(["time_s,rail_bar,crank_rpm", *lines, ""])
