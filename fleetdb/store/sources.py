"""Files to load: which there are, and of which kind, before anything is read.

A file of documents, or of traces, one a line, is named by what it holds and ends in
``.ndjson``. A recording, the trace of one test as a kit wrote it, is a file of its own:
``traces-RECORD_ID-KIND.csv`` (or ``.parquet``, ``.arrow``), where the record's id and the
trace's kind stand in the name; ``-unplugged`` or ``-connected`` after the kind says how the
inlet metering valve was, and anything after another hyphen is free.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from uuid import UUID

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.records.documents import Kind
from fleetdb.trace.model import TraceKind

SUFFIX = ".ndjson"
# Refused lines are NDJSON too; a file of them in a loaded folder must not be read again.
REFUSED_PREFIX = "refused"


class TraceFiles(StrEnum):
    """What is loaded after the documents: measurements that belong to a test record."""

    TRACES = "traces"


SourceKind = Kind | TraceFiles
LOADING_ORDER: tuple[SourceKind, ...] = (*Kind, TraceFiles.TRACES)

RECORDING_MEDIA_TYPES = {
    ".csv": "text/csv",
    ".parquet": "application/vnd.apache.parquet",
    ".arrow": "application/vnd.apache.arrow.file",
}
_RECORDING = re.compile(
    r"traces?[-_](?P<record_id>[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})"
    r"[-_](?P<kind>proof|start[-_]up|hold|duty[-_]sweep)"
    r"(?:[-_](?P<valve>unplugged|connected))?(?:[-_.].*)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Recording:
    """What the name of a recording's file says of it."""

    record_id: UUID
    kind: TraceKind
    inlet_valve_unplugged: bool | None
    media_type: str


@dataclass(frozen=True, slots=True)
class Source:
    """A file of documents of one kind, one per line, or one recording."""

    path: Path
    kind: SourceKind
    size_bytes: int
    recording: Recording | None = None


@dataclass(frozen=True, slots=True)
class Sources:
    """What a load will read, in loading order, and what it found but will not read."""

    files: list[Source]
    left_aside: list[Path]


def recording_of(path: Path) -> Recording | None:
    """Return what the name of a recording's file says, or None when it is not named as one.

    Examples
    --------
    >>> name = "traces-018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f-start-up-unplugged.csv"
    >>> recording = recording_of(Path(name))
    >>> recording.kind.value, recording.inlet_valve_unplugged, recording.media_type
    ('start_up', True, 'text/csv')
    """
    media_type = RECORDING_MEDIA_TYPES.get(path.suffix.lower())
    match = _RECORDING.fullmatch(path.stem)
    if media_type is None or match is None:
        return None
    valve = match["valve"] and match["valve"].lower()
    return Recording(
        record_id=UUID(match["record_id"]),
        kind=TraceKind(match["kind"].lower().replace("-", "_")),
        inlet_valve_unplugged=None if valve is None else valve == "unplugged",
        media_type=media_type,
    )


def kind_of(path: Path) -> SourceKind | None:
    """Return the kind that a file's name begins with, or None.

    Examples
    --------
    >>> kind_of(Path("test-records-2024.ndjson"))
    <Kind.TEST_RECORDS: 'test_records'>
    >>> kind_of(Path("notes.ndjson")) is None
    True
    """
    stem = path.stem.lower().replace("-", "_")
    for kind in LOADING_ORDER:
        rest = stem.removeprefix(kind.value)
        if rest != stem and not rest[:1].isalpha():
            return kind
    return None


def find_sources(paths: Sequence[Path]) -> Sources:
    """Return the files that ``paths`` (files, or folders of them and of folders) name.

    Raises
    ------
    InvalidInputError
        With one problem for each path that is missing, unreadable, a folder
        without files to load, or a file of no known kind.
    """
    problems: list[Problem] = []
    found: dict[Path, Source] = {}
    left_aside: list[Path] = []
    for path in paths:
        try:
            path.stat()  # a missing path is told as such, whatever its name
            files = _files_in(path, left_aside) if path.is_dir() else [path]
            if not files:
                problems.append(Problem("", f"{path}: the folder holds no {SUFFIX} file to load"))
            for file in files:
                source = _source(file)
                if source is None:
                    problems.append(Problem("", f"{file}: {_what_is_right()}"))
                    continue
                with file.open("rb"):
                    found[file.resolve()] = source
        except OSError as error:
            problems.append(Problem("", f"{error.filename}: {error.strerror}"))
    if problems:
        raise InvalidInputError(problems)
    files = sorted(found.values(), key=lambda s: (LOADING_ORDER.index(s.kind), str(s.path)))
    return Sources(files, left_aside)


def _source(file: Path) -> Source | None:
    recording = recording_of(file)
    if recording is not None:
        return Source(file, TraceFiles.TRACES, file.stat().st_size, recording)
    kind = kind_of(file) if file.suffix.lower() == SUFFIX else None
    return None if kind is None else Source(file, kind, file.stat().st_size)


def _files_in(folder: Path, left_aside: list[Path]) -> list[Path]:
    """Return the files to read of a folder and of the folders in it, as deep as they go.

    Hidden ones are passed over in silence, everything else that is not read is added to
    ``left_aside``; so are links to folders, which could lead round in a ring.
    """
    files: list[Path] = []
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        if path.is_dir() and not path.is_symlink():
            files += _files_in(path, left_aside)
            continue
        is_refused = path.name.startswith(REFUSED_PREFIX)
        can_be_read = path.suffix.lower() == SUFFIX or recording_of(path) is not None
        if path.is_file() and can_be_read and not is_refused:
            files.append(path)
        else:
            left_aside.append(path)
    return files


def _what_is_right() -> str:
    kinds = ", ".join(kind.value for kind in LOADING_ORDER)
    recordings = ", ".join(RECORDING_MEDIA_TYPES)
    return (
        f"the name must begin with what it holds ({kinds}) and end in {SUFFIX}, "
        f"or be that of one recording, traces-RECORD_ID-KIND, and end in {recordings}"
    )
