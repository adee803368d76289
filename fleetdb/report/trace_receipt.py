"""Receiving one trace: store it, then tell its sender what it says and how the pump stands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from fleetdb.cautions import CAUTIONS
from fleetdb.records.plausibility import Remark
from fleetdb.records.trace_readings import FigureSource
from fleetdb.report.receipt import Received, figures_json, receipt_verdict
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.posters import Poster
from fleetdb.store.queries import record_view
from fleetdb.store.receipts import keep_receipt, kept_receipt
from fleetdb.store.sent_traces import SentTrace
from fleetdb.store.stored_documents import RecordView
from fleetdb.store.stored_traces import TraceView
from fleetdb.store.tables import TraceReceipt
from fleetdb.store.trace_intake import accept_trace
from fleetdb.timestamps import format_rfc3339


def receive_trace(
    store: Store,
    settings: Settings,
    fleet_id: int,
    sent: SentTrace,
    actor: str,
    token_id: int | None,
    poster: Poster | None,
    *,
    with_verdict: bool = True,
) -> Received:
    """Store a trace and return its receipt; kept and given again as that of a test record.

    The receipt has the trace's figures and remarks (one more where the record is withdrawn or
    superseded, so that the trace does not count), the test record's figures with what the trace
    adds, the pump's verdict (unless ``with_verdict`` is False), and the cautions.

    Raises
    ------
    NotFoundError, InvalidInputError, SameIdOtherBodyError, ConflictError
        As ``store.trace_intake.accept_trace``; nothing is stored then.
    """
    accepted = accept_trace(store, fleet_id, sent, actor, token_id, poster)
    with store.read() as session:
        kept = kept_receipt(session, accepted.row_id, TraceReceipt)
        view = record_view(session, fleet_id, sent.record_id)
    if kept is not None:
        receipt = json.loads(kept)
        if not with_verdict:
            del receipt["verdict"]
        return Received(accepted.already_there, receipt)
    trace = next(entry for entry in view.traces if entry.row_id == accepted.row_id)
    told = trace_json(trace)
    receipt = {
        **told,
        "remarks": [*told["remarks"], *map(_remark_json, _remarks_on_standing(view))],
        "record_figures": figures_json(view.figures),
        "record_figures_from": sources_json(view.figure_sources),
        "cautions": list(CAUTIONS),
    }
    if not with_verdict:
        return Received(accepted.already_there, receipt)
    vehicle = view.document.vehicle
    verdict = receipt_verdict(store, settings, fleet_id, vehicle, f"trace {accepted.trace_id}")
    if verdict is None:
        missing = "the verdict could not be worked out now; the trace is stored"
        return Received(
            accepted.already_there, {**receipt, "verdict": None, "verdict_missing": missing}
        )
    text = json.dumps({**receipt, "verdict": verdict})
    with store.write() as session:
        text = keep_receipt(session, accepted.row_id, text, TraceReceipt)
    return Received(accepted.already_there, json.loads(text))


def trace_json(trace: TraceView) -> dict[str, Any]:
    """Return a stored trace as JSON values: how it was sampled, its figures and remarks."""
    in_force = trace.in_force
    return {
        "trace_id": str(trace.trace_id),
        "record_id": str(trace.record_id),
        "received_at": format_rfc3339(trace.received_at),
        "kind": trace.kind.value,
        "inlet_valve_unplugged": trace.inlet_valve_unplugged,
        "n_samples": trace.n_samples,
        "rate_hz": trace.rate_hz,
        "original": {
            "media_type": trace.media_type,
            "size_bytes": trace.original_size_bytes,
            "sha256": trace.original_sha256,
        },
        "method": in_force.method,
        "computed_at": format_rfc3339(in_force.computed_at),
        "figures": in_force.figures,
        "remarks": [_remark_json(remark) for remark in in_force.remarks],
    }


def trace_history_json(trace: TraceView) -> list[dict[str, Any]]:
    """Return what earlier versions of the method made of a trace, newest first."""
    return [
        {
            "method": entry.method,
            "computed_at": format_rfc3339(entry.computed_at),
            "figures": entry.figures,
        }
        for entry in reversed(trace.computed[:-1])
    ]


def record_traces_json(view: RecordView) -> dict[str, Any]:
    """Return which of a record's figures come from traces, and which traces it has."""
    return {
        "figures_from": sources_json(view.figure_sources),
        "traces": [
            {
                "trace_id": str(trace.trace_id),
                "kind": trace.kind.value,
                "inlet_valve_unplugged": trace.inlet_valve_unplugged,
                "method": trace.in_force.method,
            }
            for trace in view.traces
        ],
    }


def sources_json(sources: dict[str, FigureSource]) -> dict[str, Any]:
    """Return the trace and the version of the method behind each figure not sent by hand."""
    return {
        name: {"trace_id": str(source.trace_id), "method": source.method}
        for name, source in sources.items()
    }


def _remarks_on_standing(view: RecordView) -> Iterator[Remark]:
    """Yield why a record's traces count for nothing, where they do not.

    Said to the sender only: it follows from what else has arrived, not from the trace.
    """
    if view.void_reason is not None:
        yield Remark(
            "record_void",
            "/record_id",
            f"the test record was withdrawn ({view.void_reason}): the trace is kept, and counts "
            "for nothing",
        )
    elif view.superseded_by is not None:
        yield Remark(
            "record_superseded",
            "/record_id",
            f"test record {view.superseded_by} has taken this one's place: the trace is kept, and "
            "counts for nothing; send it to that one",
        )


def _remark_json(remark: Remark) -> dict[str, str]:
    return {"code": remark.code, "pointer": remark.pointer, "detail": remark.detail}
