"""What the traces of a test record add to it: proof and build where it has none itself.

A trace never changes a figure that was sent with the record: that one stays in force, and
is remarked where the trace says otherwise (``fleetdb.store.trace_findings``). Where several
traces could fill the same figure, the one whose figure is the least uncertain does, and of
equals the one with the smallest id: which, never depends on the order they came in.
``trend/sql/trace_readings.sql`` says the same in SQL.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from fleetdb.records.documents import Build, Proof, TestRecord


@dataclass(frozen=True, slots=True)
class TraceReadings:
    """What one trace can say of its pump, None where it does not or must not be used for it.

    Pressures in bar; each ``sd`` is a standard uncertainty. ``proof_target_bar`` is the
    family's. ``fuel_temp_c`` and ``crank_rpm`` are means over the trace.
    ``hold_leak_ml_per_min`` is the flow that left the closed rail, at reference conditions.
    ``strokes_told_apart`` is True where the ripple of single pump strokes could be seen:
    then ``weak_element`` is the number of the one that delivers less, and
    ``weak_element_share`` what it delivers of the others' mean, or both are None: none does.
    ``regulator_departure_share`` is how far pressure strays at worst from its straight line
    over duty, as a share of that line's span, signed.
    """

    proof_duty_pct: float | None = None
    proof_target_bar: float | None = None
    proof_actual_bar: float | None = None
    proof_sd_bar: float | None = None
    build_rate_bar_per_s: float | None = None
    build_sd_bar_per_s: float | None = None
    build_from_bar: float | None = None
    build_to_bar: float | None = None
    fuel_temp_c: float | None = None
    crank_rpm: float | None = None
    hold_leak_ml_per_min: float | None = None
    hold_leak_sd_ml_per_min: float | None = None
    strokes_told_apart: bool | None = None
    weak_element: int | None = None
    weak_element_share: float | None = None
    regulator_departure_share: float | None = None


@dataclass(frozen=True, slots=True)
class FigureSource:
    """The trace, and the version of the method, that a figure of a record came from."""

    trace_id: UUID
    method: int


@dataclass(frozen=True, slots=True)
class Filled:
    """A record with what its traces add, and where each added figure came from.

    ``sources`` has the keys ``proof_ratio`` and ``build_rate_bar_per_s``, each only when a
    trace filled it.
    """

    record: TestRecord
    sources: dict[str, FigureSource]


def fill(record: TestRecord, traces: Iterable[tuple[FigureSource, TraceReadings]]) -> Filled:
    """Return ``record`` with proof and build from its traces where it has none itself."""
    entries = sorted(traces, key=lambda entry: str(entry[0].trace_id))
    sources: dict[str, FigureSource] = {}
    added: dict[str, Proof | Build] = {}
    proofs = [
        (r.proof_sd_bar, source, r.proof_target_bar, r.proof_actual_bar, r.proof_duty_pct)
        for source, r in entries
        if r.proof_sd_bar is not None
    ]
    if record.proof is None and proofs:
        _, source, target_bar, actual_bar, duty_pct = min(proofs, key=lambda entry: entry[0])
        added["proof"] = Proof.model_construct(
            duty_pct=duty_pct, target_bar=target_bar, actual_bar=actual_bar
        )
        sources["proof_ratio"] = source
    builds = [
        (r.build_sd_bar_per_s, source, r.build_rate_bar_per_s, r.build_from_bar, r.build_to_bar)
        for source, r in entries
        if r.build_sd_bar_per_s is not None
    ]
    if record.build is None and builds:
        _, source, rate, from_bar, to_bar = min(builds, key=lambda entry: entry[0])
        added["build"] = Build.model_construct(
            rate_bar_per_s=rate, from_bar=from_bar, to_bar=to_bar
        )
        sources["build_rate_bar_per_s"] = source
    return Filled(record.model_copy(update=added) if added else record, sources)
