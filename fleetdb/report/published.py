"""Published verdicts, and verdicts of past dates, kept ready for paging through them."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
from duckdb import ColumnExpression, ConstantExpression, Expression

from fleetdb.errors import FleetDbError
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.pipeline import assess
from fleetdb.trend.teaching import Teacher
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.layout import learnt_folder, snapshots_folder
from fleetdb.warehouse.snapshot import Snapshot, current_name
from fleetdb.warehouse.views import open_mirror

# One list is a few hundred bytes a vehicle: this many fit in memory for any fleet.
_KEPT_LISTS = 8
_NAME = re.compile(r"[0-9A-Za-z-]{1,80}")

_Key = tuple[int, str, datetime | None]


class NoVerdictsYetError(FleetDbError):
    """Raised when nothing has been published for a fleet yet."""

    def __init__(self) -> None:
        super().__init__(
            "no verdicts have been published for this fleet yet; `fleetdb assess` publishes "
            "them, and so does the server every FLEETDB_REFRESH_S seconds"
        )


class SnapshotGoneError(FleetDbError):
    """Raised when the snapshot that a list began with is kept no longer."""

    def __init__(self) -> None:
        super().__init__("the list it continues is kept no longer; start without a cursor")


@dataclass(frozen=True, slots=True)
class KitTable:
    """How every kit reads (``fleetdb.trend.kit_table.KITS``), by the snapshot called so."""

    snapshot: str
    as_of: str
    kits: pl.DataFrame


@dataclass(frozen=True, slots=True)
class VerdictList:
    """All verdicts of a fleet as of one moment, from the snapshot called ``snapshot``."""

    snapshot: str
    as_of: str
    verdicts: pl.DataFrame


class PublishedVerdicts:
    """Reads published snapshots; keeps the last few lists, shared by all threads."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._lock = threading.Lock()
        self._assessing = threading.Lock()
        self._kept: OrderedDict[_Key, VerdictList] = OrderedDict()

    def current(self, fleet_id: int) -> str:
        """Return the name of the newest snapshot.

        Raises
        ------
        NoVerdictsYetError
            None was published yet.
        """
        name = current_name(self._home, fleet_id)
        if name is None:
            raise NoVerdictsYetError
        return name

    def kits(self, fleet_id: int) -> KitTable | None:
        """Return how the kits read by the newest snapshot, or None before the first."""
        name = current_name(self._home, fleet_id)
        if name is None:
            return None
        # A row per kit: small enough to read each time.
        kits, meta = self._read_table(fleet_id, name, "kits")
        return KitTable(name, meta["as_of"], kits)

    def kit_bias(self, fleet_id: int, kit: str) -> pl.DataFrame | None:
        """Return one kit's rows of ``fleetdb.trend.kit_table.KIT_BIAS``, None before the first."""
        name = current_name(self._home, fleet_id)
        if name is None:
            return None
        of_kit = ColumnExpression("kit") == ConstantExpression(kit)
        return self._read_table(fleet_id, name, "kit_bias", of_kit)[0]

    def verdicts(self, fleet_id: int, snapshot: str, as_of: datetime | None) -> VerdictList:
        """Return the verdicts of a snapshot or, with ``as_of``, of the mirror at that moment.

        Raises
        ------
        SnapshotGoneError
            There is no snapshot of that name any more.
        """
        key = (fleet_id, snapshot, as_of)
        if as_of is None:
            return self._find(key) or self._keep(key, self._read(fleet_id, snapshot))
        # Held while it is worked out: a second caller of the same date waits for the
        # first one's answer, and two dates do not compete for the processors.
        with self._assessing:
            return self._find(key) or self._keep(key, self._assess(fleet_id, snapshot, as_of))

    def of_vehicles(self, fleet_id: int, vehicles: Iterable[str]) -> dict[str, dict[str, Any]]:
        """Return the newest published verdict on each of these vehicles, of those that have one."""
        name = current_name(self._home, fleet_id)
        if name is None:
            return {}
        verdicts = self.verdicts(fleet_id, name, None).verdicts
        rows = verdicts.filter(pl.col("vehicle").is_in(list(vehicles)))
        return {row["vehicle"]: row for row in rows.iter_rows(named=True)}

    def _find(self, key: _Key) -> VerdictList | None:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def _keep(self, key: _Key, verdicts: VerdictList) -> VerdictList:
        with self._lock:
            self._kept[key] = verdicts
            while len(self._kept) > _KEPT_LISTS:
                self._kept.popitem(last=False)
        return verdicts

    def _read(self, fleet_id: int, name: str) -> VerdictList:
        verdicts, meta = self._read_table(fleet_id, name, "verdicts")
        # What a newer version added is null in a snapshot of an older one.
        verdicts = pl.concat([pl.DataFrame(SCHEMA.empty_table()), verdicts], how="diagonal")
        return VerdictList(name, meta["as_of"], verdicts)

    def _read_table(
        self, fleet_id: int, name: str, table: str, where: Expression | None = None
    ) -> tuple[pl.DataFrame, dict[str, Any]]:
        folder = snapshots_folder(self._home, fleet_id) / name
        if not _NAME.fullmatch(name) or not folder.is_dir():
            raise SnapshotGoneError
        snapshot = Snapshot(folder)
        try:
            with snapshot.connection() as connection:
                rows = connection.table(table)
                return (rows if where is None else rows.filter(where)).pl(), snapshot.meta
        finally:
            snapshot.close()

    def _assess(self, fleet_id: int, name: str, as_of: datetime) -> VerdictList:
        with open_mirror(self._home, fleet_id) as connection:
            teacher = Teacher(learnt_folder(self._home, fleet_id))
            assessment = assess(connection, as_of, teacher=teacher)
        verdicts = pl.DataFrame(assessment.verdicts)
        return VerdictList(name, format_rfc3339(as_of), verdicts)
