"""Scorecards worked out behind the requests that ask for them, and kept.

A replay of two years takes from seconds to many minutes, by the size of the fleet: too long
for a request. So it runs in one worker thread, one replay at a time, and who asks meanwhile
is told how far it is. A finished card belongs to a snapshot. When a newer one has been
published the kept card is still given, marked as not the newest, while the next is worked
out: a fleet that posts all day would otherwise never see any.

Each server process has its own. Nothing is kept across a restart.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fleetdb.report.scorecard_json import scorecard_json
from fleetdb.report.worker import Worker
from fleetdb.trend.backtest import Month, month_ends, replay
from fleetdb.trend.scorecard import scorecard
from fleetdb.trend.teaching import Teacher
from fleetdb.warehouse.layout import learnt_folder
from fleetdb.warehouse.views import open_mirror

_log = logging.getLogger(__name__)
# A card is some kilobytes; a caller that asks for range after range may not fill the queue.
_KEPT_CARDS = 32


@dataclass(frozen=True, slots=True)
class Asked:
    """A fleet and the first and last month end to replay."""

    fleet_id: int
    first: Month
    last: Month


@dataclass(frozen=True, slots=True)
class Finished:
    """A card (JSON values) and the snapshot that stood when its replay began."""

    snapshot: str
    card: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Underway:
    """A card being worked out; ``months_done`` is 0 while others are before it."""

    months_done: int
    months: int


@dataclass(slots=True)
class _Entry:
    months: int
    months_done: int = 0
    underway: bool = False
    finished: Finished | None = None
    failure: Exception | None = field(default=None)


class _Stopped(Exception):  # noqa: N818 - not an error: the server is going down
    pass


class Scorecards:
    """Works scorecards out in one thread of its own and keeps the last few."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._lock = threading.Lock()
        self._entries: OrderedDict[Asked, _Entry] = OrderedDict()
        self._worker: Worker[tuple[Asked, str]] = Worker("scorecards", self._finish)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        self._worker.stop()

    def card(self, asked: Asked, snapshot: str) -> Finished | Underway:
        """Return the newest finished card or, when there is none, how far the first one is.

        Where none was worked out for ``snapshot`` yet, one is begun. A replay that failed is
        told once, by raising what it failed of; the next call begins it again.
        """
        with self._lock:
            entry = self._entries.get(asked)
            if entry is None:
                entry = self._entries[asked] = _Entry(len(month_ends(asked.first, asked.last)))
                self._forget_oldest()
            self._entries.move_to_end(asked)
            if entry.failure is not None:
                failure, entry.failure = entry.failure, None
                raise failure
            newest = entry.finished is not None and entry.finished.snapshot == snapshot
            if not newest and not entry.underway:
                entry.underway, entry.months_done = True, 0
                self._worker.put((asked, snapshot))
            return entry.finished or Underway(entry.months_done, entry.months)

    def _forget_oldest(self) -> None:
        idle = [asked for asked, entry in self._entries.items() if not entry.underway]
        for asked in idle[: max(0, len(self._entries) - _KEPT_CARDS)]:
            del self._entries[asked]

    def _finish(self, job: tuple[Asked, str]) -> None:
        asked, snapshot = job
        entry = self._entries[asked]
        try:
            finished, failure = Finished(snapshot, self._work_out(asked, entry)), None
        except _Stopped:
            return
        except Exception as error:
            _log.error("a scorecard could not be worked out", exc_info=error)
            finished, failure = entry.finished, error
        with self._lock:
            entry.finished, entry.failure, entry.underway = finished, failure, False

    def _work_out(self, asked: Asked, entry: _Entry) -> dict[str, Any]:
        def told(done: int) -> None:
            entry.months_done = done
            if self._worker.is_stopping:
                raise _Stopped

        with open_mirror(self._home, asked.fleet_id) as connection:
            moments = month_ends(asked.first, asked.last)
            teacher = Teacher(learnt_folder(self._home, asked.fleet_id))
            verdicts = replay(connection, moments, told=told, teacher=teacher)
            return scorecard_json(scorecard(connection, verdicts))
