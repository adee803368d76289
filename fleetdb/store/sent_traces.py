"""A trace as it was sent: its bytes, what was said beside them, and what they turn out to be."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from uuid import UUID, uuid5

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.records.documents import Document
from fleetdb.records.fields import Flag, Uuid
from fleetdb.records.parsing import parse_as, parse_object
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.reading import JSON, read_trace, trace_of_document

# Five minutes at 10 kHz are three million samples: some 55 MB of JSON or CSV.
LARGEST_TRACE_BYTES = 64 << 20
_ARRAYS = ("time_s", "rail_bar", "crank_rpm", "duty_pct", "fuel_temp_c")


class TraceEnvelope(Document):
    """What a JSON document says of a trace besides its kind and samples."""

    record_id: Uuid | None = None
    trace_id: Uuid | None = None
    inlet_valve_unplugged: Flag | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """What was said beside the bytes: by an address, its parameters, or a file's name."""

    record_id: UUID | None = None
    trace_id: UUID | None = None
    kind: TraceKind | None = None
    inlet_valve_unplugged: bool | None = None


@dataclass(frozen=True, slots=True)
class SentTrace:
    """A trace that has been read and found to be one, of a record not yet looked up.

    ``digest`` is that of record, kind, valve and samples: equal for equal contents,
    whatever file they came in. ``trace_id`` is the sender's or, where none was sent,
    follows from the record and the digest.
    """

    record_id: UUID
    trace_id: UUID
    trace: Trace
    inlet_valve_unplugged: bool | None
    media_type: str
    original: bytes
    digest: str


def read_sent_trace(content: bytes, media_type: str, said: Said) -> SentTrace:
    """Return the trace in ``content``, of one of the media types of ``fleetdb.trace.reading``.

    Raises
    ------
    InvalidInputError
        It cannot be read, is no trace, or says otherwise than what was said beside it;
        one problem per bad field.
    """
    if media_type == JSON:
        document = parse_object(content)
        own = {name: document.pop(name, None) for name in TraceEnvelope.model_fields}
        envelope = parse_as(TraceEnvelope, own)
        trace = trace_of_document(document, said.kind)
    else:
        envelope = TraceEnvelope()
        trace = read_trace(content, media_type, said.kind)
    _require_agreement(envelope, said)
    record_id = said.record_id or envelope.record_id
    if record_id is None:
        raise InvalidInputError.at("/record_id", "is required: the test record the trace is of")
    unplugged = said.inlet_valve_unplugged
    if unplugged is None:
        unplugged = envelope.inlet_valve_unplugged
    digest = _digest(record_id, trace, unplugged)
    return SentTrace(
        record_id=record_id,
        trace_id=said.trace_id or envelope.trace_id or uuid5(record_id, digest),
        trace=trace,
        inlet_valve_unplugged=unplugged,
        media_type=media_type,
        original=content,
        digest=digest,
    )


def _require_agreement(envelope: TraceEnvelope, said: Said) -> None:
    problems = [
        Problem(f"/{name}", f"is {_text(inside)}, but {_text(beside)} was said beside the trace")
        for name in TraceEnvelope.model_fields
        if (inside := getattr(envelope, name)) is not None
        and (beside := getattr(said, name)) is not None
        and inside != beside
    ]
    if problems:
        raise InvalidInputError(problems)


def _text(value: UUID | bool) -> str:
    return str(value).lower()


def _digest(record_id: UUID, trace: Trace, inlet_valve_unplugged: bool | None) -> str:
    head = {
        "record_id": str(record_id),
        "kind": trace.kind.value,
        "inlet_valve_unplugged": inlet_valve_unplugged,
    }
    sha256 = hashlib.sha256(json.dumps(head, sort_keys=True).encode())
    for name in _ARRAYS:
        values = getattr(trace, name)
        if values is not None:
            sha256.update(f"{name} {len(values)}\n".encode())
            # One order of bytes on every machine; -0.0 counts as 0.
            sha256.update((values + 0.0).astype("<f8").tobytes())
    return sha256.hexdigest()
