"""The file of refused lines: what was refused, from where, and why."""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType
from typing import IO

from fleetdb.errors import FleetDbError, InvalidInputError, Problem, SameIdOtherBodyError
from fleetdb.store.sources import Source

# Enough to recognise a line by; a line may be huge.
_KEPT_CHARACTERS = 100_000


class RefusedFile:
    """Writes refused lines as NDJSON; the file is created with the first of them."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.count = 0
        self._file: IO[str] | None = None

    def add(self, source: Source, line: int, text: bytes, error: FleetDbError) -> None:
        """Write one refused line of ``source`` with the problems that ``error`` holds."""
        if self._file is None:
            try:
                self._file = self.path.open("x", encoding="utf-8", newline="\n")
            except OSError as cause:
                raise FleetDbError(
                    f"cannot write refused lines to {self.path}: {cause.strerror}"
                ) from cause
        entry = {
            "file": str(source.path),
            "line": line,
            "kind": source.kind.value,
            "problems": [
                {"pointer": problem.pointer, "detail": problem.detail}
                for problem in problems_of(error)
            ],
            "text": text.decode("utf-8", "backslashreplace").rstrip("\r\n")[:_KEPT_CHARACTERS],
        }
        self._file.write(json.dumps(entry) + "\n")
        self.count += 1

    def __enter__(self) -> RefusedFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._file is not None:
            self._file.close()


def problems_of(error: FleetDbError) -> list[Problem]:
    """Return what is wrong, field by field."""
    if isinstance(error, InvalidInputError):
        return error.problems
    pointer = error.pointer if isinstance(error, SameIdOtherBodyError) else ""
    return [Problem(pointer, str(error))]
