"""The background thread that keeps the published verdicts fresh."""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from datetime import UTC, datetime

from api.metrics import Metrics
from fleetdb.errors import FleetDbError
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.fleets import list_fleets
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.refresh import refresh

_log = logging.getLogger(__name__)
_STOP_WITHIN_S = 5


@dataclass(frozen=True, slots=True)
class RefreshState:
    """How the last pass over all fleets went."""

    last_success_at: datetime | None = None
    last_failure_at: datetime | None = None
    last_failure: str | None = None

    def document(self) -> dict[str, str | None]:
        """Return the state as JSON values."""
        return {
            "last_success_at": self.last_success_at and format_rfc3339(self.last_success_at),
            "last_failure_at": self.last_failure_at and format_rfc3339(self.last_failure_at),
            "last_failure": self.last_failure,
        }


class Refresher:
    """Refreshes every fleet's snapshot every ``settings.refresh_s``, in one thread.

    Each server process has one; the file lock inside ``refresh`` lets one of them
    do the work. A failure is logged and shown, and tried again at the next pass.
    """

    def __init__(self, store: Store, settings: Settings, metrics: Metrics) -> None:
        self.state = RefreshState()
        self._store = store
        self._settings = settings
        self._metrics = metrics
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="refresher", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end and wait a little; a daemon, it cannot hold up the process."""
        self._stopping.set()
        self._thread.join(_STOP_WITHIN_S)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.refresh_all()
            self._stopping.wait(self._settings.refresh_s)

    def refresh_all(self) -> None:
        """Make one pass over every fleet; one fleet's failure does not stop the others."""
        try:
            with self._store.read() as session:
                fleet_ids = [fleet.id for fleet in list_fleets(session)]
        except Exception as error:
            self._note_failure(error)
            return
        outcomes = [self._refresh(fleet_id) for fleet_id in fleet_ids]
        if all(outcomes):
            self.state = RefreshState(datetime.now(UTC))

    def _refresh(self, fleet_id: int) -> bool:
        if self._stopping.is_set():
            return False
        try:
            published = refresh(self._store, fleet_id, self._settings.home)
        except Exception as error:
            self._note_failure(error)
            return False
        self._metrics.count_refresh("published" if published else "unchanged")
        return True

    def _note_failure(self, error: Exception) -> None:
        # Whatever it was, the server goes on answering from the last snapshot.
        _log.error("the verdicts could not be refreshed", exc_info=error)
        self._metrics.count_refresh("failed")
        # Other errors may name paths or addresses, and this state is shown to anyone.
        told = str(error) if isinstance(error, FleetDbError) else type(error).__name__
        self.state = RefreshState(self.state.last_success_at, datetime.now(UTC), told)
