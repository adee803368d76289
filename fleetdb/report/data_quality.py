"""What is the matter with the records of a period, worked out behind the page that tells it.

Reading a year of millions of records takes seconds: so one thread does it (``worker``), and
keeps the last few answers, each with the snapshot it belongs to. Superseded and withdrawn
records are left out, except where remarks are counted. Each server process has its own.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from fleetdb.report.worker import Worker
from fleetdb.store.engine import Store
from fleetdb.store.remark_counts import RemarkCount, remark_counts
from fleetdb.store.sent_counts import SENT_AGAIN, SentTotal, sent_totals
from fleetdb.trend.record_quality import record_quality
from fleetdb.warehouse.layout import snapshots_folder
from fleetdb.warehouse.snapshot import Snapshot
from fleetdb.warehouse.views import open_mirror

SHOWN = 50
"""So many examples of records set aside, and of readings sent twice, are named."""
_KEPT = 16
_SET_ASIDE, _HABITS = "set_aside", "timing_habits"
# A small fleet's answer is there by then, so that nobody need look twice.
_PATIENCE_S = 1.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Asked:
    """A fleet's records performed from ``first`` to ``last``, UTC; of one workshop if named."""

    fleet_id: int
    snapshot: str
    first: date
    last: date
    workshop: str | None


@dataclass(frozen=True, slots=True)
class WorkshopQuality:
    """Records of one workshop ("" where none is named), and how many lack what."""

    workshop: str
    n: int = 0
    no_fuel_temp: int = 0
    no_crank_speed: int = 0
    no_odometer: int = 0
    no_kit: int = 0
    remarks: int = 0
    """Remarks on its records; one record may carry several."""
    set_aside: int | None = 0
    """None where the snapshot does not tell it."""
    refused: int = 0
    sent_again: int = 0
    build_over_others: float | None = None
    """By which share its build rates come out higher than others' of such pumps, the mean of its
    families; None where it has too few to tell. [-]"""


@dataclass(frozen=True, slots=True)
class Quality:
    """What was found, the most first."""

    workshops: list[WorkshopQuality]
    remarks: list[tuple[str, int]]
    """Code and number of records."""
    refusals: list[SentTotal]
    twice: list[dict[str, Any]]
    """Up to ``SHOWN`` rows of ``sql/same_readings.sql``, the newest first."""
    n_twice: int
    set_aside: list[dict[str, Any]]
    """Up to ``SHOWN`` rows of ``sql/set_aside.sql``, the newest first."""
    n_set_aside: int | None
    """None where the snapshot, of an earlier version, does not tell it: the next one will."""


@dataclass(slots=True)
class _Entry:
    done: threading.Event = field(default_factory=threading.Event)
    quality: Quality | None = None
    failure: Exception | None = None


class DataQuality:
    """Works answers out in one thread of its own and keeps the last few."""

    def __init__(self, store: Store, home: Path) -> None:
        self._store = store
        self._home = home
        self._lock = threading.Lock()
        self._entries: OrderedDict[Asked, _Entry] = OrderedDict()
        self._worker: Worker[Asked] = Worker("data-quality", self._finish)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        self._worker.stop()

    def quality(self, asked: Asked) -> Quality | None:
        """Return the answer, or None while it is being worked out.

        What it failed of is raised once; the next call begins it again.
        """
        with self._lock:
            entry = self._entries.get(asked)
            if entry is None:
                entry = self._entries[asked] = _Entry()
                self._forget_oldest()
                self._worker.put(asked)
            self._entries.move_to_end(asked)
        entry.done.wait(_PATIENCE_S)
        if entry.failure is not None:
            with self._lock:
                self._entries.pop(asked, None)
            raise entry.failure
        return entry.quality

    def _forget_oldest(self) -> None:
        idle = [asked for asked, entry in self._entries.items() if entry.done.is_set()]
        for asked in idle[: max(0, len(self._entries) - _KEPT)]:
            del self._entries[asked]

    def _finish(self, asked: Asked) -> None:
        entry = self._entries[asked]
        try:
            entry.quality = find_quality(self._store, self._home, asked)
        except Exception as error:
            _log.error("data quality could not be worked out", exc_info=error)
            entry.failure = error
        entry.done.set()


def find_quality(store: Store, home: Path, asked: Asked) -> Quality:
    """Return what is the matter with the records asked for.

    Raises
    ------
    FleetDbError
        There is no mirror yet, or no snapshot of that name any more.
    """
    first_at = datetime.combine(asked.first, datetime.min.time())
    until_at = datetime.combine(asked.last, datetime.min.time()) + timedelta(days=1)
    with open_mirror(home, asked.fleet_id) as connection:
        found = record_quality(connection, first_at, until_at, asked.workshop)
    aside = _set_aside(home, asked, first_at, until_at)
    with store.read() as session:
        remarks = remark_counts(
            session, asked.fleet_id, first_at.replace(tzinfo=UTC), until_at.replace(tzinfo=UTC)
        )
        sent = sent_totals(session, asked.fleet_id, asked.first, asked.last)
    if asked.workshop is not None:
        remarks = [count for count in remarks if count.workshop == asked.workshop]
        sent = [total for total in sent if total.workshop == asked.workshop]
    return Quality(
        workshops=_by_workshop(found.workshops, remarks, aside, sent, _habits(home, asked)),
        remarks=_by_code(remarks),
        refusals=[total for total in sent if total.code != SENT_AGAIN],
        twice=found.twice[:SHOWN],
        n_twice=len(found.twice),
        set_aside=[] if aside is None else aside.head(SHOWN).to_dicts(),
        n_set_aside=None if aside is None else aside.height,
    )


def _set_aside(
    home: Path, asked: Asked, first_at: datetime, until_at: datetime
) -> pl.DataFrame | None:
    snapshot = Snapshot(snapshots_folder(home, asked.fleet_id) / asked.snapshot)
    at = duckdb.ColumnExpression("performed_at")
    within = (at >= duckdb.ConstantExpression(first_at)) & (
        at < duckdb.ConstantExpression(until_at)
    )
    try:
        if _SET_ASIDE not in snapshot.tables:
            return None
        with snapshot.connection() as connection:
            rows = connection.table(_SET_ASIDE).filter(within).pl()
    finally:
        snapshot.close()
    rows = rows.with_columns(pl.col("workshop").fill_null(""))
    if asked.workshop is not None:
        rows = rows.filter(pl.col("workshop") == asked.workshop)
    return rows.sort("performed_at", "record_id", descending=[True, False])


def _habits(home: Path, asked: Asked) -> dict[str, float]:
    """Return by which share each workshop's build rates come out higher than others'."""
    snapshot = Snapshot(snapshots_folder(home, asked.fleet_id) / asked.snapshot)
    try:
        if _HABITS not in snapshot.tables:
            return {}
        with snapshot.connection() as connection:
            rows = connection.table(_HABITS).pl()
    finally:
        snapshot.close()
    over = pl.col("ln_build_over_others").mean().exp() - 1
    return dict(rows.group_by("workshop").agg(over).iter_rows())


def _by_workshop(
    rows: Iterable[dict[str, Any]],
    remarks: Iterable[RemarkCount],
    aside: pl.DataFrame | None,
    sent: Iterable[SentTotal],
    habits: dict[str, float],
) -> list[WorkshopQuality]:
    found: dict[str, dict[str, Any]] = defaultdict(dict)
    for row in rows:
        found[row["workshop"]] |= row
    for count in remarks:
        own = found[count.workshop]
        own["remarks"] = own.get("remarks", 0) + count.records
    if aside is not None:
        for workshop, n in aside.group_by("workshop").len().iter_rows():
            found[workshop]["set_aside"] = n
    for total in sent:
        name = "sent_again" if total.code == SENT_AGAIN else "refused"
        own = found[total.workshop]
        own[name] = own.get(name, 0) + total.n
    if aside is None:
        for own in found.values():
            own["set_aside"] = None
    told = [
        WorkshopQuality(**{**row, "workshop": workshop, "build_over_others": habits.get(workshop)})
        for workshop, row in found.items()
    ]
    return sorted(told, key=lambda each: (-each.n, each.workshop))


def _by_code(remarks: Iterable[RemarkCount]) -> list[tuple[str, int]]:
    counts: dict[str, int] = defaultdict(int)
    for count in remarks:
        counts[count.code] += count.records
    return sorted(counts.items(), key=lambda entry: (-entry[1], entry[0]))
