"""Recordings of the demo are read as the records they belong to say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from demo_fleet.generate import generate
from demo_fleet.options import FleetOptions
from demo_fleet.recordings import MOST_RECORDINGS, recording, write_recordings
from fleetdb.store.engine import Store
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.loading import load_paths
from fleetdb.store.queries import record_view
from fleetdb.store.sources import find_sources
from fleetdb.trace.figures import figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.settings import TraceSettings

OPTIONS = FleetOptions(vehicles=30, years=1.0, seed=3)
RECORD = {
    "proof": {"actual_bar": 612.0},
    "build": {"rate_bar_per_s": 240.0, "from_bar": 100.0, "to_bar": 380.0},
    "conditions": {"crank_rpm": 205.0},
}


def test_a_recording_bears_out_what_was_written_down() -> None:
    time_s, rail_bar, crank_rpm = recording(RECORD, np.random.default_rng(1))
    climb = rail_bar[time_s < 8.0]
    seconds = np.argmax(climb >= 380.0) / 100.0 - np.argmax(climb >= 100.0) / 100.0
    trace = Trace.checked(TraceKind.PROOF, time_s, rail_bar, crank_rpm)
    figures = figures_of(trace, TraceSettings(700.0, 1600.0, 40.0))

    assert 280.0 / seconds == pytest.approx(240.0, rel=0.03)
    assert figures.plateau.pressure_bar.value == pytest.approx(612.0, rel=0.002)
    assert figures.conditions.crank_rpm.value == 205.0
    assert figures.signs == ()


def test_recordings_are_loaded_beside_their_records_and_contradict_none(
    sqlite_store: Store, tmp_path: Path
) -> None:
    fleet = generate(OPTIONS)
    documents = tmp_path / "documents"
    fleet.write(documents)
    n_written = write_recordings(fleet, documents, OPTIONS.seed)
    recordings = [file.recording for file in find_sources([documents]).files if file.recording]
    with sqlite_store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    summary = load_paths(sqlite_store, fleet_id, [documents], tmp_path / "refused.ndjson", "tests")

    assert 10 < n_written == len(recordings) <= MOST_RECORDINGS
    assert {kind.value: c.accepted for kind, c in summary.counts.items()}["traces"] == n_written
    with sqlite_store.read() as session:
        views = [record_view(session, fleet_id, each.record_id) for each in recordings]
    assert [r for view in views for trace in view.traces for r in trace.in_force.remarks] == []
