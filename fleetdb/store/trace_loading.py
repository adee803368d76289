"""Loading traces from files: one a line as JSON documents, or each a recording of its own.

A trace is a transaction of its own. What is stored already is recognised, so that an
interrupted load is simply run again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import IO

from fleetdb.errors import FleetDbError, InvalidInputError
from fleetdb.store.engine import Store
from fleetdb.store.refusals import RefusedFile
from fleetdb.store.sent_traces import LARGEST_TRACE_BYTES, Said, read_sent_trace
from fleetdb.store.sources import Source
from fleetdb.store.trace_intake import AcceptedTrace, accept_trace
from fleetdb.trace.reading import JSON

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def load_traces(
    store: Store,
    fleet_id: int,
    actor: str,
    source: Source,
    refused: RefusedFile,
    progress: Callable[[Source, int], None] | None = None,
) -> Iterator[AcceptedTrace | FleetDbError]:
    """Load the traces of one file; give what became of each, why a refused one was.

    Raises
    ------
    FleetDbError
        The file could not be read to its end; the load can be run again.
    """
    try:
        with source.path.open("rb") as file:
            for number, content in _contents(file, source):
                if progress is not None:
                    progress(source, len(content))
                try:
                    yield _load(store, fleet_id, actor, source, content)
                except FleetDbError as error:
                    # The samples of a recording are not text that could be read again.
                    refused.add(source, number, b"" if source.recording else content, error)
                    yield error
    except OSError as error:
        raise FleetDbError(
            f"cannot read {source.path} to its end: {error.strerror}; run the load again"
        ) from error


def _contents(file: IO[bytes], source: Source) -> Iterator[tuple[int, bytes]]:
    """Give each trace's number and bytes, at most one byte more than may be."""
    if source.recording is not None:
        yield 1, file.read(LARGEST_TRACE_BYTES + 1)
        return
    number = 0
    while line := file.readline(LARGEST_TRACE_BYTES + 1):
        number += 1
        if not line.endswith(b"\n"):
            while rest := file.readline(1 << 20):
                if rest.endswith(b"\n"):
                    break
        line = line.rstrip(b"\r\n").removeprefix(_BYTE_ORDER_MARK)
        if line.strip():
            yield number, line


def _load(store: Store, fleet_id: int, actor: str, source: Source, content: bytes) -> AcceptedTrace:
    if len(content) > LARGEST_TRACE_BYTES:
        raise InvalidInputError.at("", f"the trace is longer than {LARGEST_TRACE_BYTES} bytes")
    recording = source.recording
    if recording is None:
        sent = read_sent_trace(content, JSON, Said())
    else:
        said = Said(
            record_id=recording.record_id,
            kind=recording.kind,
            inlet_valve_unplugged=recording.inlet_valve_unplugged,
        )
        sent = read_sent_trace(content, recording.media_type, said)
    return accept_trace(store, fleet_id, sent, actor)
