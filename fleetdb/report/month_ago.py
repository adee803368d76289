"""How the fleet stood a month ago, worked out behind the pages that tell it.

What was performed by then is assessed anew, which takes from a second to minutes by the size
of the fleet: too long for a request. So one thread works it out, once for each day, and until
there is an answer there is none. Each server process has its own; a restart forgets it.
"""

from __future__ import annotations

import logging
import queue
import threading
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from fleetdb.timestamps import end_of_day
from fleetdb.trend.pipeline import assess
from fleetdb.warehouse.views import open_mirror

BEFORE = timedelta(days=30)
_STOP_WITHIN_S = 5.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PastStates:
    """How many vehicles were in each state at the end of ``day``, UTC."""

    day: date
    by_state: dict[str, int]


class MonthAgo:
    """Counts states of a month ago in one thread of its own; keeps the last of each fleet."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._lock = threading.Lock()
        self._kept: dict[int, PastStates] = {}
        self._asked: dict[int, date] = {}
        self._queue: queue.SimpleQueue[tuple[int, date] | None] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="month-ago", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Wait a little for what is underway; a daemon, it cannot hold up the process."""
        self._stopping.set()
        self._queue.put(None)
        self._thread.join(_STOP_WITHIN_S)

    def states(self, fleet_id: int, today: date) -> PastStates | None:
        """Return the newest answer there is, and see to it that there will be one for ``today``.

        The answer tells its day: while a new day's is worked out, the last one is given. A day
        that failed is not tried again.
        """
        wanted = today - BEFORE
        with self._lock:
            if self._asked.get(fleet_id) != wanted:
                self._asked[fleet_id] = wanted
                self._queue.put((fleet_id, wanted))
            return self._kept.get(fleet_id)

    def _run(self) -> None:
        while (job := self._queue.get()) is not None and not self._stopping.is_set():
            fleet_id, day = job
            try:
                with open_mirror(self._home, fleet_id) as connection:
                    counted = assess(connection, end_of_day(day)).meta["vehicles_by_state"]
            except Exception as error:
                _log.error("the states of %s could not be worked out", day, exc_info=error)
                continue
            with self._lock:
                self._kept[fleet_id] = PastStates(day, counted)
