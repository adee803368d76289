"""Files to load: which there are, and of which kind, before anything is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.records.documents import Kind

SUFFIX = ".ndjson"
# Refused lines are NDJSON too; a file of them in a loaded folder must not be read again.
REFUSED_PREFIX = "refused"


@dataclass(frozen=True, slots=True)
class Source:
    """A file of documents of one kind, one per line."""

    path: Path
    kind: Kind
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Sources:
    """What a load will read, in loading order, and what it found but will not read."""

    files: list[Source]
    left_aside: list[Path]


def kind_of(path: Path) -> Kind | None:
    """Return the kind that a file's name begins with, or None.

    Examples
    --------
    >>> kind_of(Path("test-records-2024.ndjson"))
    <Kind.TEST_RECORDS: 'test_records'>
    >>> kind_of(Path("notes.ndjson")) is None
    True
    """
    stem = path.stem.lower().replace("-", "_")
    for kind in Kind:
        rest = stem.removeprefix(kind.value)
        if rest != stem and not rest[:1].isalpha():
            return kind
    return None


def find_sources(paths: Sequence[Path]) -> Sources:
    """Return the files that ``paths`` (files, or folders of them) name.

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
                kind = kind_of(file) if file.suffix.lower() == SUFFIX else None
                if kind is None:
                    problems.append(Problem("", f"{file}: {_what_is_right()}"))
                    continue
                with file.open("rb"):
                    found[file.resolve()] = Source(file, kind, file.stat().st_size)
        except OSError as error:
            problems.append(Problem("", f"{error.filename}: {error.strerror}"))
    if problems:
        raise InvalidInputError(problems)
    order = list(Kind)
    files = sorted(found.values(), key=lambda s: (order.index(s.kind), str(s.path)))
    return Sources(files, left_aside)


def _files_in(folder: Path, left_aside: list[Path]) -> list[Path]:
    files: list[Path] = []
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        is_refused = path.name.startswith(REFUSED_PREFIX)
        if path.is_file() and path.suffix.lower() == SUFFIX and not is_refused:
            files.append(path)
        else:
            left_aside.append(path)
    return files


def _what_is_right() -> str:
    kinds = ", ".join(kind.value for kind in Kind)
    return f"the name must begin with what it holds ({kinds}) and end in {SUFFIX}"
