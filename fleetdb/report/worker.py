"""A thread that works jobs off one after another, behind the requests that put them in."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

_STOP_WITHIN_S = 5.0

Job = TypeVar("Job")


class Worker(Generic[Job]):
    """One thread and its queue; each server process has its own, and a restart forgets it.

    ``work`` does one job. It deals with what can go wrong with it, and gives up early when
    ``is_stopping`` becomes true.
    """

    def __init__(self, name: str, work: Callable[[Job], None]) -> None:
        self._work = work
        self._queue: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    @property
    def is_stopping(self) -> bool:
        return self._stopping.is_set()

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Wait a little for the job underway; a daemon, it cannot hold up the process."""
        self._stopping.set()
        self._queue.put(None)
        self._thread.join(_STOP_WITHIN_S)

    def put(self, job: Job) -> None:
        """Have a job done after those put in before."""
        self._queue.put(job)

    def _run(self) -> None:
        while (job := self._queue.get()) is not None and not self.is_stopping:
            self._work(job)
