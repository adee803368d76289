"""One writer at a time among processes, by a lock that dies with its holder."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def exclusive(path: Path) -> Iterator[None]:
    """Hold the lock ``path`` alone; wait while another process or thread holds it.

    The kernel frees the lock when its holder ends, however it ends, so a killed
    process blocks nobody. POSIX only; the file must be on a local file system.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)
