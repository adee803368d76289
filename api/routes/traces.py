"""Pressure traces of a test record: post one, list them, get figures, original and picture."""

from __future__ import annotations

import base64
from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, TypeVar
from uuid import UUID

from anyio import to_thread
from fastapi import APIRouter, Path, Query
from fastapi.responses import Response

from api.calls import AnyCall, Call
from api.examples import TRACE
from api.once import Answer, OnceDep
from api.openapi import problems, trace_body
from api.prefer import APPLIED, MinimalDep
from api.sent import counted
from api.trace_bodies import TraceBody, TraceBodyDep
from api.trace_shapes import StoredTraceShape, TraceListShape, TraceReceiptShape
from api.workshops import poster_of
from fleetdb.cautions import CAUTIONS
from fleetdb.report.receipt import figures_json
from fleetdb.report.trace_picture import stored_trace_svg
from fleetdb.report.trace_receipt import (
    receive_trace,
    sources_json,
    trace_history_json,
    trace_json,
)
from fleetdb.store.sent_traces import Said, read_sent_trace
from fleetdb.store.stored_traces import TraceView, original_of, stored_trace
from fleetdb.store.trace_intake import TRACES, own_record
from fleetdb.trace.model import TraceKind

router = APIRouter(prefix="/v1/test-records/{record_id}/traces", tags=["traces"])
_SVG = "image/svg+xml"
# A picture opened by itself needs the styles written in it, and nothing else.
_PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
_BINARY = {"type": "string", "format": "binary"}

RecordId = Annotated[UUID, Path(description="The test record's id.")]
TraceId = Annotated[UUID, Path(description="The trace's id.")]
Done = TypeVar("Done")


async def _at_work(call: Call, work: Callable[[], Done]) -> Done:
    """Do ``work`` in a thread, a few at a time: figures take long, and others must be answered."""
    return await to_thread.run_sync(work, limiter=call.services.trace_workers)


@router.post(
    "",
    summary="Send a pressure trace and get its figures",
    status_code=201,
    response_model=TraceReceiptShape,
    responses={
        200: {"model": TraceReceiptShape, "description": "Stored before; the same receipt again."},
        **problems(403, 404, 409, 413, 415, 422),
        413: {**problems(413)[413], "description": "The body is longer than 64 MiB, unpacked."},
    },
    openapi_extra=trace_body(TRACE),
)
async def post_trace(
    call: AnyCall,
    once: OnceDep,
    record_id: RecordId,
    body: TraceBodyDep,
    minimal: MinimalDep,
    kind: Annotated[
        TraceKind | None, Query(description="What was done; needed unless a JSON body says it.")
    ] = None,
    trace_id: Annotated[
        UUID | None,
        Query(description="An id of the sender's choice; without one it follows from the trace."),
    ] = None,
    inlet_valve_unplugged: Annotated[
        bool | None,
        Query(
            description="Whether the inlet metering valve was unplugged. While it is connected "
            "the control unit counteracts, and the build rate is not used."
        ),
    ] = None,
) -> Response:
    """Store the trace of a test and answer with its figures, remarks and the pump's verdict.

    The body is JSON, CSV with a line of column names (time_s, rail_bar; crank_rpm, duty_pct,
    fuel_temp_c; units by name: rail_mpa, rail_psi, time_ms), Parquet or Arrow IPC with such
    columns, at most 64 MiB, with Content-Encoding gzip or none: 10 Hz to 10 kHz, up to five
    minutes. It is kept byte for byte. The same trace again is answered 200 with the same
    receipt; the same id with other contents 409. Proof and build rate fill the record's where
    it has none; one sent by hand stays in force, and is remarked where the trace contradicts
    it. A workshop's token sends traces of the records it sent, and of its workshop's. Rail
    pressure can exceed 1000 bar and a jet penetrates skin: the receipt carries the cautions,
    and a verdict is only advice.
    """
    said = Said(record_id, trace_id, kind, inlet_valve_unplugged)
    work = counted(call, TRACES, None, partial(_receive, call, body, said, minimal))
    return await _at_work(call, partial(once.answer, call, body.content, work))


def _receive(call: Call, body: TraceBody, said: Said, minimal: bool) -> Answer:
    sent = read_sent_trace(body.content, body.media_type, said)
    received = receive_trace(
        call.store,
        call.settings,
        call.fleet_id,
        sent,
        call.actor,
        call.caller.token_id,
        poster_of(call),
        with_verdict=not minimal,
    )
    outcome = "already_there" if received.already_there else "accepted"
    call.services.metrics.count_document(TRACES, outcome)
    headers = {"Location": f"/v1/test-records/{sent.record_id}/traces/{sent.trace_id}"}
    if minimal:
        headers |= APPLIED
    return Answer(200 if received.already_there else 201, received.receipt, headers)


@router.get(
    "",
    summary="List a test record's traces",
    response_model=TraceListShape,
    responses=problems(403, 404, 422),
)
def get_traces(call: AnyCall, record_id: RecordId) -> dict[str, Any]:
    """List the traces of a test record with their figures, and what they add to the record.

    A workshop's token sees those of the records it sent, and of its workshop's.
    """
    with call.store.read() as session:
        view = own_record(session, call.fleet_id, record_id, poster_of(call))
    return {
        "items": [trace_json(trace) for trace in view.traces],
        "record_figures": figures_json(view.figures),
        "record_figures_from": sources_json(view.figure_sources),
        "cautions": list(CAUTIONS),
    }


@router.get(
    "/{trace_id}",
    summary="Get a trace's figures",
    response_model=StoredTraceShape,
    responses=problems(403, 404, 422),
)
def get_trace(call: AnyCall, record_id: RecordId, trace_id: TraceId) -> dict[str, Any]:
    """Get the figures of one trace, by which version of the method, and those of earlier ones."""
    trace, _ = _trace(call, record_id, trace_id)
    return {
        **trace_json(trace),
        "earlier_figures": trace_history_json(trace),
        "cautions": list(CAUTIONS),
    }


@router.get(
    "/{trace_id}/original",
    summary="Get a trace as it was sent",
    response_class=Response,
    responses={
        200: {
            "description": "The bytes that were received, without their content coding. "
            "Repr-Digest (RFC 9530) proves them.",
            "content": {"application/octet-stream": {"schema": _BINARY}},
        },
        **problems(403, 404, 422),
    },
)
def get_original(call: AnyCall, record_id: RecordId, trace_id: TraceId) -> Response:
    """Get the original of a trace, byte for byte, in the media type it was sent in."""
    trace, original = _trace(call, record_id, trace_id, with_original=True)
    digest = base64.b64encode(bytes.fromhex(trace.original_sha256)).decode()
    # As a header, not as media_type: a charset would be added to text/csv.
    headers = {"Content-Type": trace.media_type, "Repr-Digest": f"sha-256=:{digest}:"}
    return Response(original, headers=headers)


@router.get(
    "/{trace_id}/picture.svg",
    summary="Get a picture of a trace",
    response_class=Response,
    responses={
        200: {
            "description": "An SVG document with a text alternative in it.",
            "content": {_SVG: {"schema": {"type": "string"}}},
        },
        **problems(403, 404, 422),
    },
)
async def get_picture(call: AnyCall, record_id: RecordId, trace_id: TraceId) -> Response:
    """Get pressure against time, with the climb, the plateau and the other windows marked."""
    poster = poster_of(call)
    work = partial(stored_trace_svg, call.store, call.fleet_id, record_id, trace_id, poster)
    headers = {"Content-Security-Policy": _PICTURE_POLICY}
    return Response(await _at_work(call, work), media_type=_SVG, headers=headers)


def _trace(
    call: Call, record_id: UUID, trace_id: UUID, *, with_original: bool = False
) -> tuple[TraceView, bytes]:
    with call.store.read() as session:
        own_record(session, call.fleet_id, record_id, poster_of(call))
        trace = stored_trace(session, call.fleet_id, record_id, trace_id)
        return trace, original_of(session, trace) if with_original else b""
