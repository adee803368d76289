"""How many traces a minute one core puts into figures: a command, not part of the suite.

    uv run python -m tests.benchmarks.traces

At least 1,000 traces of 30 s at 1 kHz are asked for. Each format is timed with its reading;
processor time of all threads counts, so that other cores do not help.
"""

from __future__ import annotations

import io
import time
from dataclasses import replace

import pyarrow as pa
import pyarrow.parquet as pq

from fleetdb.trace.figures import figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.reading import CSV, PARQUET, read_trace
from fleetdb.trace.settings import TraceSettings
from tests.fleetdb.trace.rail_balance import Rail, recorded

ASKED_PER_MIN = 1000
SETTINGS = TraceSettings(
    700.0,
    1600.0,
    40.0,
    rail_volume_ml=30.0,
    strokes_per_engine_rev=1.5,
    pumping_elements=3,
)


def traces() -> dict[str, Trace]:
    """Return one trace of each kind that takes long."""
    rail = Rail(regulator_bar=660.0, element_flows=(1.0, 0.6, 1.0), crank_to_s=28.0)
    hold = replace(rail, element_flows=(), crank_to_s=4.0, leak_ml_per_s_per_bar=0.04 / 700)
    length = {"rate_hz": 1000.0, "length_s": 30.0}
    return {
        "proof": recorded(rail, with_speed=True, **length),
        "hold": recorded(hold, TraceKind.HOLD, with_speed=True, **length),
    }


def as_csv(trace: Trace) -> bytes:
    columns = zip(trace.time_s, trace.rail_bar, trace.crank_rpm, strict=True)
    rows = [f"{t:.4f},{p:.3f},{n:.1f}" for t, p, n in columns]
    return "\n".join(["time_s,rail_bar,crank_rpm", *rows]).encode()


def as_parquet(trace: Trace) -> bytes:
    file = io.BytesIO()
    names = ("time_s", "rail_bar", "crank_rpm")
    pq.write_table(pa.table({name: getattr(trace, name) for name in names}), file)
    return file.getvalue()


def main(n: int = 50) -> None:
    for kind, trace in traces().items():
        for media_type, content in ((CSV, as_csv(trace)), (PARQUET, as_parquet(trace))):
            figures_of(read_trace(content, media_type, trace.kind), SETTINGS)
            began_s = time.process_time()
            for _ in range(n):
                figures_of(read_trace(content, media_type, trace.kind), SETTINGS)
            per_min = 60.0 * n / (time.process_time() - began_s)
            verdict = "" if per_min >= ASKED_PER_MIN else f"  below the {ASKED_PER_MIN} asked for"
            print(f"{kind:6} {media_type:32} {per_min:6.0f} traces/min/core{verdict}")


if __name__ == "__main__":
    main()
