"""How the fleet stood a month ago, worked out behind the pages that tell it.

What was performed by then is assessed anew, which takes from a second to minutes by the size
of the fleet: too long for a request. So one thread works it out, once for each day, and until
there is an answer there is none. Each server process has its own; a restart forgets it.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from fleetdb.report.worker import Worker
from fleetdb.timestamps import end_of_day
from fleetdb.trend.pipeline import assess
from fleetdb.trend.teaching import Teacher
from fleetdb.warehouse.layout import learnt_folder
from fleetdb.warehouse.views import open_mirror

BEFORE = timedelta(days=30)
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
        self._worker: Worker[tuple[int, date]] = Worker("month-ago", self._work_out)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        self._worker.stop()

    def states(self, fleet_id: int, today: date) -> PastStates | None:
        """Return the newest answer there is, and see to it that there will be one for ``today``.

        The answer tells its day: while a new day's is worked out, the last one is given. A day
        that failed is not tried again.
        """
        wanted = today - BEFORE
        with self._lock:
            if self._asked.get(fleet_id) != wanted:
                self._asked[fleet_id] = wanted
                self._worker.put((fleet_id, wanted))
            return self._kept.get(fleet_id)

    def _work_out(self, job: tuple[int, date]) -> None:
        fleet_id, day = job
        try:
            with open_mirror(self._home, fleet_id) as connection:
                teacher = Teacher(learnt_folder(self._home, fleet_id))
                assessment = assess(connection, end_of_day(day), teacher=teacher)
        except Exception as error:
            _log.error("the states of %s could not be worked out", day, exc_info=error)
            return
        with self._lock:
            self._kept[fleet_id] = PastStates(day, assessment.meta["vehicles_by_state"])
