"""Loading traces: after the records, a line or a recording each, once, with reasons."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetdb.store import trace_loading
from fleetdb.store.engine import Store
from fleetdb.store.loading import Counts, LoadSummary, load_paths
from fleetdb.store.queries import record_view
from fleetdb.store.sources import Source, TraceFiles
from tests.documents import FAMILY, TEST_RECORD, VEHICLE
from tests.traces import climb, trace_document

RECORD_ID = TEST_RECORD["record_id"]


def write(folder: Path, name: str, *documents: dict[str, Any] | str) -> None:
    lines = [d if isinstance(d, str) else json.dumps(d) for d in documents]
    (folder / name).write_text("".join(line + "\n" for line in lines))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A fleet of one vehicle and one record, named so that traces would sort before them."""
    made = tmp_path / "fleet"
    made.mkdir()
    write(made, "pump_families.ndjson", FAMILY)
    write(made, "vehicles.ndjson", VEHICLE)
    write(made, "test_records.ndjson", {**TEST_RECORD, "workshop": None})
    return made


def load(store: Store, folder: Path, **options: Any) -> LoadSummary:
    refused = folder.parent / f"refused-{uuid4().hex}.ndjson"
    return load_paths(store, 1, [folder], refused, "tests", **options)


def refusals(summary: LoadSummary) -> list[dict[str, Any]]:
    assert summary.refused_path is not None
    return [json.loads(line) for line in summary.refused_path.read_text().splitlines()]


def kinds_stored(store: Store) -> list[tuple[str, bool | None]]:
    with store.read() as session:
        traces = record_view(session, 1, UUID(RECORD_ID)).traces
    return [(trace.kind.value, trace.inlet_valve_unplugged) for trace in traces]


def test_traces_are_loaded_after_their_records_and_once(store: Store, folder: Path) -> None:
    write(
        folder,
        "traces.ndjson",
        trace_document(record_id=RECORD_ID, inlet_valve_unplugged=True),
        "",
        trace_document("hold", record_id=RECORD_ID),
    )

    first, again = load(store, folder), load(store, folder)

    assert first.refused_path is None
    assert list(first.counts)[-1] is TraceFiles.TRACES
    assert first.counts[TraceFiles.TRACES] == Counts(accepted=2)
    assert again.counts[TraceFiles.TRACES] == Counts(already_there=2)
    assert kinds_stored(store) == [("proof", True), ("hold", None)]


def test_recordings_say_by_their_names_what_they_are(store: Store, folder: Path) -> None:
    samples = climb()
    lines = ["time_s,rail_bar", *(f"{t},{p}" for t, p in zip(*samples.values(), strict=True))]
    write(folder, f"traces-{RECORD_ID}-proof.csv", *lines)
    sink = io.BytesIO()
    pq.write_table(pa.table(climb(600.0)), sink)
    (folder / f"trace_{RECORD_ID}_start-up-unplugged-second try.parquet").write_bytes(
        sink.getvalue()
    )
    write(folder, "traces-of-monday.csv", "time_s,rail_bar")

    summary = load(store, folder)

    assert summary.counts[TraceFiles.TRACES] == Counts(accepted=2)
    assert sorted(kinds_stored(store), key=str) == [("proof", None), ("start_up", True)]
    assert [path.name for path in summary.left_aside] == ["traces-of-monday.csv"]


def test_a_trace_that_cannot_be_taken_is_refused_with_reasons_and_the_rest_goes_in(
    store: Store, folder: Path
) -> None:
    write(
        folder,
        "traces.ndjson",
        trace_document(),
        trace_document(record_id=str(uuid4())),
        "{not json",
        trace_document(record_id=RECORD_ID, time_s=[], rail_bar=[]),
        trace_document(record_id=RECORD_ID),
    )
    (folder / f"traces-{RECORD_ID}-hold.csv").write_bytes(gzip.compress(b"time_s,rail_bar\n"))

    summary = load(store, folder)

    assert summary.counts[TraceFiles.TRACES] == Counts(accepted=1, refused=5)
    told = [(Path(entry["file"]).suffix, entry["line"]) for entry in refusals(summary)]
    assert sorted(told) == [
        (".csv", 1),
        (".ndjson", 1),
        (".ndjson", 2),
        (".ndjson", 3),
        (".ndjson", 4),
    ]
    by_line = {(Path(e["file"]).suffix, e["line"]): e["problems"][0] for e in refusals(summary)}
    assert by_line[".ndjson", 1]["pointer"] == "/record_id"
    assert "no test record" in by_line[".ndjson", 2]["detail"]
    assert by_line[".ndjson", 4]["pointer"] == "/time_s"
    assert all(entry["kind"] == "traces" for entry in refusals(summary))


def test_a_trace_longer_than_may_be_is_refused_and_the_next_line_read(
    store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = json.dumps(trace_document(record_id=RECORD_ID))
    write(folder, "traces.ndjson", good + " " * 100_000, good)
    monkeypatch.setattr(trace_loading, "LARGEST_TRACE_BYTES", len(good) + 10)

    summary = load(store, folder)

    assert summary.counts[TraceFiles.TRACES] == Counts(accepted=1, refused=1)
    assert "longer than" in refusals(summary)[0]["problems"][0]["detail"]


def test_progress_adds_up_to_the_traces_read(sqlite_store: Store, folder: Path) -> None:
    document = json.dumps(trace_document(record_id=RECORD_ID))
    write(folder, "traces.ndjson", document)
    told: list[int] = []

    def progress(source: Source, n_bytes: int) -> None:
        if source.kind is TraceFiles.TRACES:
            told.append(n_bytes)

    load(sqlite_store, folder, progress=progress)

    assert told == [len(document)]
