"""Traces of an invented pump, for tests that need one and not its physics.

Pressure climbs exponentially from rest towards what the pump could reach, and the regulator
cuts it off: rate and plateau are known beforehand.
"""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

import numpy as np

from fleetdb.store.engine import Store
from fleetdb.store.sent_traces import Said, SentTrace, read_sent_trace
from fleetdb.store.trace_intake import AcceptedTrace, accept_trace
from fleetdb.trace.reading import JSON

REST_BAR, REACHABLE_BAR, TIME_CONSTANT_S = 5.0, 1500.0, 2.0


def climb(
    plateau_bar: float = 650.0, *, seconds: float = 8.0, rate_hz: float = 100.0, seed: int = 0
) -> dict[str, list[float]]:
    """Return time_s and rail_bar: one second of rest, the climb, the plateau; 2 bar of noise."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    since_s = np.maximum(time_s - 1.0, 0.0)
    rail_bar = REST_BAR + REACHABLE_BAR * -np.expm1(-since_s / TIME_CONSTANT_S)
    noise = np.random.default_rng(seed).normal(0.0, 2.0, len(time_s))
    return {
        "time_s": np.round(time_s, 6).tolist(),
        "rail_bar": np.round(np.minimum(rail_bar, plateau_bar) + noise, 3).tolist(),
    }


def climb_rate_bar_per_s(from_bar: float, to_bar: float) -> float:
    """Return the mean rise of ``climb`` between two pressures, by its formula."""
    left = [REST_BAR + REACHABLE_BAR - bar for bar in (from_bar, to_bar)]
    return (to_bar - from_bar) / (TIME_CONSTANT_S * float(np.log(left[0] / left[1])))


def decay(
    from_bar: float = 800.0, half_life_s: float = 6.0, *, seconds: float = 20.0, seed: int = 0
) -> dict[str, list[float]]:
    """Return a closed rail losing pressure, the pump standing: 100 Hz, 1 bar of noise."""
    time_s = np.arange(round(seconds * 100.0)) / 100.0
    rail_bar = from_bar * 0.5 ** (time_s / half_life_s)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, len(time_s))
    return {
        "time_s": time_s.tolist(),
        "rail_bar": np.round(rail_bar + noise, 3).tolist(),
        "crank_rpm": np.zeros(len(time_s)).tolist(),
        "fuel_temp_c": np.full(len(time_s), 40.0).tolist(),
    }


def trace_document(kind: str = "proof", **fields: Any) -> dict[str, Any]:
    """Return a JSON document of a trace: a climb unless its samples are given."""
    samples = {} if "time_s" in fields else decay() if kind == "hold" else climb()
    return {"kind": kind, **samples, **fields}


def sent_trace(record_id: str | UUID, kind: str = "proof", **fields: Any) -> SentTrace:
    """Return ``trace_document`` as it was sent for a record."""
    content = json.dumps(trace_document(kind, **fields)).encode()
    return read_sent_trace(content, JSON, Said(record_id=UUID(str(record_id))))


def post_trace(
    store: Store, record_id: str | UUID, kind: str = "proof", fleet_id: int = 1, **fields: Any
) -> AcceptedTrace:
    """Store ``sent_trace``."""
    return accept_trace(store, fleet_id, sent_trace(record_id, kind, **fields), "tests")
