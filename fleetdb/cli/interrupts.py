"""Ctrl-C while modules are still being imported: nothing has begun, so leave at once.

Left to itself it would end in a traceback from inside some library, or in that
library's own error.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from fleetdb.cli.exit_codes import EXIT_INTERRUPTED


@contextmanager
def leaving_at_once() -> Iterator[None]:
    """End the process with exit code 130 when it is interrupted within this block.

    An interruption that the caller of the process had ignored stays ignored.
    """
    before = signal.getsignal(signal.SIGINT)
    in_main_thread = threading.current_thread() is threading.main_thread()
    if before is not signal.default_int_handler or not in_main_thread:
        yield
        return
    signal.signal(signal.SIGINT, _leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _leave(*_: object) -> None:
    sys.stderr.write("interrupted\n")
    sys.stderr.flush()
    os._exit(EXIT_INTERRUPTED)
