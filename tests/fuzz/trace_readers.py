"""Coverage-guided fuzzing of the trace readers: a command, not part of the suite.

    uv run --group fuzz python -m tests.fuzz.trace_readers csv --seconds 60

Any ending but a trace or InvalidInputError, more than 2 GB, or more than ten seconds for one
input stops it, and leaves the input in a file that it names. What it has found interesting
stays in the folder of inputs, if one is given, for the next run.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["fleetdb.trace", "fleetdb.records.parsing"]):
    from fleetdb.trace.model import TraceKind
    from fleetdb.trace.reading import ARROW_FILE, CSV, JSON, PARQUET, read_trace

import numpy as np
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.ipc as ipc
import pyarrow.parquet as pq

from fleetdb.errors import InvalidInputError

MEDIA_TYPES = {"csv": CSV, "json": JSON, "parquet": PARQUET, "arrow": ARROW_FILE}


def seeds(name: str) -> list[bytes]:
    """Return small good inputs, to begin from."""
    time_s = np.arange(20) / 10.0
    table = pa.table({"time_s": time_s, "rail_bar": 30.0 * time_s, "crank_rpm": 0 * time_s})
    if name == "csv":
        rows = [f"{t:.1f},{30 * t:.1f},200" for t in time_s]
        comma = "\n".join(["time_s,rail_bar,crank_rpm", *rows])
        german = "\n".join(
            ["# kit 7", "time (ms);rail [MPa]", *(f"{i}00;{i},5" for i in range(20))]
        )
        return [comma.encode(), german.encode(), "\ufefftime_s\trail_psi\r\n0\t1\r\n".encode()]
    if name == "json":
        return [b'{"kind":"hold","time_s":[0,0.1,0.2],"rail_bar":[1,2,3.5e0]}']
    files: list[bytes] = []
    for packed in ("zstd", "lz4", "snappy", "none") if name == "parquet" else ("zstd", "lz4"):
        file = io.BytesIO()
        if name == "parquet":
            pq.write_table(table, file, compression=packed, use_dictionary=packed == "none")
        else:
            feather.write_feather(table, file, compression=packed)
        files.append(file.getvalue())
    if name == "arrow":
        file = io.BytesIO()
        with ipc.new_stream(file, table.schema) as stream:
            stream.write_table(table)
        files.append(file.getvalue())
    return files


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("reader", choices=MEDIA_TYPES)
    parser.add_argument("--seconds", type=int, default=60, help="stop after so long [s]")
    parser.add_argument("--inputs", type=Path, help="folder of inputs to begin from and add to")
    options = parser.parse_args()
    media_type = MEDIA_TYPES[options.reader]

    def read(content: bytes) -> None:
        with contextlib.suppress(InvalidInputError):
            read_trace(content, media_type, TraceKind.HOLD)

    with tempfile.TemporaryDirectory() as made:
        inputs = options.inputs or Path(made)
        inputs.mkdir(exist_ok=True)
        for number, seed in enumerate(seeds(options.reader)):
            (inputs / f"seed-{number}").write_bytes(seed)
        limits = [f"-max_total_time={options.seconds}", "-rss_limit_mb=2048", "-timeout=10"]
        # Fuzz ends the process itself, so that nothing after it would run.
        atheris.Setup(["trace_readers", *limits, "-max_len=8192", str(inputs)], read)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
