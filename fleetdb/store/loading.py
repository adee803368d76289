"""Loading files of documents: streamed, in batches, each batch one transaction.

What is stored already is recognised, so an interrupted load is simply run again
and ends with the same tables as one that was not interrupted.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO
from uuid import UUID

from fleetdb.errors import FleetDbError, InvalidInputError
from fleetdb.records.documents import Document, Kind, TestRecord
from fleetdb.records.parsing import parse_document
from fleetdb.store.engine import Store
from fleetdb.store.ingest import LARGEST_BATCH, accept_many
from fleetdb.store.refusals import RefusedFile
from fleetdb.store.sent_counts import (
    Sent,
    note_sent,
    refused,
    sent_again,
    workshop_in,
    workshop_of,
)
from fleetdb.store.sources import (
    LOADING_ORDER,
    SUFFIX,
    Source,
    SourceKind,
    Sources,
    TraceFiles,
    find_sources,
    kind_of,
)
from fleetdb.store.trace_loading import load_traces

LONGEST_LINE_BYTES = 1024 * 1024
_LINES_PER_PROGRESS = 200

Progress = Callable[[Source, int], None]
"""Called now and then with the file being read and the bytes read of it since the last call."""


@dataclass
class Counts:
    """What became of the lines of one kind."""

    accepted: int = 0
    already_there: int = 0
    refused: int = 0


@dataclass
class LoadSummary:
    """What a load did. ``refused_path`` is None when nothing was refused."""

    counts: dict[SourceKind, Counts] = field(default_factory=dict)
    refused_path: Path | None = None
    left_aside: list[Path] = field(default_factory=list)
    settings_remarks: list[str] = field(default_factory=list)
    """What was odd of each new version of a pump family, such as one that reaches back."""

    @property
    def refused(self) -> int:
        """Number of refused lines."""
        return sum(counts.refused for counts in self.counts.values())


@dataclass(frozen=True, slots=True)
class _Line:
    """A line that parsed, and where it stands."""

    source: Source
    kind: Kind
    number: int
    text: bytes
    document: Document


def load_paths(
    store: Store,
    fleet_id: int,
    paths: Sequence[Path],
    refused_path: Path,
    actor: str,
    progress: Progress | None = None,
) -> LoadSummary:
    """Load the files that ``paths`` (files or folders, in any order) name into one fleet.

    Lines that cannot be accepted go to ``refused_path`` with their reasons; it must
    not exist yet, and is created only when a line is refused.

    Raises
    ------
    InvalidInputError
        Nothing was loaded: a path is missing, of no known kind, or holds nothing
        to load, or ``refused_path`` cannot be used.
    FleetDbError
        A file could not be read to its end; the load can be run again.
    """
    sources = find_sources(paths)
    _check_refused_path(refused_path, sources)
    summary = LoadSummary(left_aside=sources.left_aside)
    with RefusedFile(refused_path) as refused_file:
        load = _Load(store, fleet_id, actor, refused_file, summary, progress)
        for kind in LOADING_ORDER:
            files = [source for source in sources.files if source.kind is kind]
            if isinstance(kind, Kind):
                load.files(kind, files)
            else:
                load.traces(files)
        note_sent(store, fleet_id, load.sent)
    summary.refused_path = refused_file.path if refused_file.count else None
    return summary


class _Load:
    """One run over the files."""

    def __init__(
        self,
        store: Store,
        fleet_id: int,
        actor: str,
        refused_file: RefusedFile,
        summary: LoadSummary,
        progress: Progress | None,
    ) -> None:
        self.store = store
        self.fleet_id = fleet_id
        self.actor = actor
        self.refused = refused_file
        self.summary = summary
        self.progress = progress
        self.sent: Counter[Sent] = Counter()

    def files(self, kind: Kind, sources: Sequence[Source]) -> None:
        """Load files of documents of one kind."""
        corrections: list[_Line] = []
        batch: list[_Line] = []
        for source in sources:
            self.summary.counts.setdefault(source.kind, Counts())
            for line in self._lines(kind, source):
                document = line.document
                if isinstance(document, TestRecord) and document.supersedes is not None:
                    corrections.append(line)
                    continue
                batch.append(line)
                if len(batch) == LARGEST_BATCH:
                    self._store(batch)
                    batch = []
        self._store(batch)
        # A correction may stand before what it corrects, in this file or another.
        for corrections_now in _in_turn(corrections):
            for start in range(0, len(corrections_now), LARGEST_BATCH):
                self._store(corrections_now[start : start + LARGEST_BATCH])

    def traces(self, sources: Sequence[Source]) -> None:
        """Load files of traces, whose test records are there by now."""
        for source in sources:
            counts = self.summary.counts.setdefault(TraceFiles.TRACES, Counts())
            for accepted in load_traces(
                self.store, self.fleet_id, self.actor, source, self.refused, self.progress
            ):
                if isinstance(accepted, FleetDbError):
                    counts.refused += 1
                    self.sent[refused(source.kind.value, accepted, None)] += 1
                elif accepted.already_there:
                    counts.already_there += 1
                    self.sent[sent_again(source.kind.value, None)] += 1
                else:
                    counts.accepted += 1

    def _lines(self, kind: Kind, source: Source) -> Iterator[_Line]:
        """Give the lines that parse; refuse the others."""
        try:
            with source.path.open("rb") as file:
                read_bytes = 0
                for number, text, is_whole in _raw_lines(file):
                    if self.progress is not None and number % _LINES_PER_PROGRESS == 0:
                        self.progress(source, file.tell() - read_bytes)
                        read_bytes = file.tell()
                    try:
                        if not is_whole:
                            raise InvalidInputError.at(
                                "", f"the line is longer than {LONGEST_LINE_BYTES} bytes"
                            )
                        document = parse_document(kind, text)
                    except InvalidInputError as error:
                        self._refuse(source, number, text, error)
                    else:
                        yield _Line(source, kind, number, text, document)
        except OSError as error:
            raise FleetDbError(
                f"cannot read {source.path} to its end: {error.strerror}; run the load again"
            ) from error

    def _store(self, batch: Sequence[_Line]) -> None:
        if not batch:
            return
        kind = batch[0].kind
        documents = [line.document for line in batch]
        with self.store.write() as session:
            results = accept_many(session, self.fleet_id, kind, documents, self.actor)
        counts = self.summary.counts[kind]
        for line, result in zip(batch, results, strict=True):
            if isinstance(result, FleetDbError):
                self._refuse(line.source, line.number, line.text, result)
            elif result.already_there:
                counts.already_there += 1
                self.sent[sent_again(kind.value, workshop_of(line.document))] += 1
            else:
                counts.accepted += 1
                if kind is Kind.PUMP_FAMILIES:
                    self.summary.settings_remarks += (
                        f"{result.key}: {remark.detail}" for remark in result.remarks
                    )

    def _refuse(self, source: Source, number: int, text: bytes, error: FleetDbError) -> None:
        self.summary.counts[source.kind].refused += 1
        self.refused.add(source, number, text, error)
        self.sent[refused(source.kind.value, error, workshop_in(text))] += 1


def _raw_lines(file: IO[bytes]) -> Iterator[tuple[int, bytes, bool]]:
    """Give number, bytes and whether that is all of it, for each line that is not blank."""
    number = 0
    while text := file.readline(LONGEST_LINE_BYTES + 1):
        number += 1
        is_whole = len(text) <= LONGEST_LINE_BYTES or text.endswith(b"\n")
        if not is_whole:
            while rest := file.readline(LONGEST_LINE_BYTES):
                if rest.endswith(b"\n"):
                    break
        if text.strip().removeprefix(b"\xef\xbb\xbf"):
            yield number, text, is_whole


def _in_turn(corrections: Sequence[_Line]) -> Iterator[list[_Line]]:
    """Give the corrections in groups, each after those that its members supersede."""
    waiting: dict[UUID, list[_Line]] = {}
    for line in corrections:
        document = line.document
        if isinstance(document, TestRecord):
            waiting.setdefault(document.record_id, []).append(line)
    while waiting:
        ready = {
            record_id: lines
            for record_id, lines in waiting.items()
            if not any(_supersedes(line) in waiting for line in lines)
        }
        # Records that supersede each other in a ring are refused, whatever the order.
        ready = ready or waiting
        yield [line for record_id in sorted(ready) for line in ready[record_id]]
        waiting = {r: lines for r, lines in waiting.items() if r not in ready}


def _supersedes(line: _Line) -> UUID | None:
    return line.document.supersedes if isinstance(line.document, TestRecord) else None


def _check_refused_path(refused_path: Path, sources: Sources) -> None:
    if os.path.lexists(refused_path):
        raise InvalidInputError.at("", f"{refused_path} exists; refused lines need a new file")
    folder = refused_path.parent
    if not folder.is_dir():
        raise InvalidInputError.at("", f"{folder} is no folder to write refused lines to")
    would_be_read = refused_path.suffix.lower() == SUFFIX and kind_of(refused_path) is not None
    folders = {source.path.resolve().parent for source in sources.files}
    if would_be_read and folder.resolve() in folders:
        raise InvalidInputError.at(
            "", f"{refused_path} would be loaded by the next load of {folder}; choose another name"
        )
    # Found out now, not at the first refused line.
    try:
        refused_path.touch(exist_ok=False)
        refused_path.unlink()
    except OSError as error:
        raise InvalidInputError.at(
            "", f"cannot write refused lines to {refused_path}: {error.strerror}"
        ) from error
