"""Files that are there whole or not at all, whenever a process is killed or the power fails."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from uuid import uuid4

TEMPORARY_PREFIX = ".new-"


def sync_to_disk(path: Path) -> None:
    """Have the disk hold what was written to a file, or which names a folder holds."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Let ``write`` fill a file under a temporary name, then give it its name ``path``.

    An existing file of that name is replaced in one step. When ``write`` fails the
    temporary file is removed; after a kill it stays for the next sweep.
    """
    temporary = path.with_name(f"{TEMPORARY_PREFIX}{uuid4().hex}")
    try:
        write(temporary)
        sync_to_disk(temporary)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_to_disk(path.parent)


def write_text(path: Path, text: str) -> None:
    """Write a small text file whole."""

    def write(temporary: Path) -> None:
        temporary.write_text(text, encoding="utf-8")

    write_whole(path, write)
