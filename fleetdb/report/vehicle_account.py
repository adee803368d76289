"""Everything a page tells of one vehicle: what was sent, and what the trend made of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from fleetdb.records.documents import Finding, Fitment, Part, Vehicle
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.posters import Poster, is_posted_by
from fleetdb.store.queries import vehicle_history
from fleetdb.store.stored_documents import RecordView, StoredDocument
from fleetdb.trend.vehicle_in_full import VehicleInFull, vehicle_in_full
from fleetdb.trend.vehicle_tests import PumpSeen, TestSeen

MOST_TESTS = 100
"""So many of the last tests are told of."""
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Event:
    """A fitment or a finding; ``letter`` is its mark in the picture, None if it is withdrawn."""

    stored: StoredDocument
    document: Fitment | Finding
    at: datetime
    letter: str | None

    @property
    def is_pump_change(self) -> bool:
        """True for a new pump: what came before says nothing of what comes after."""
        return isinstance(self.document, Fitment) and self.document.part is Part.PUMP


@dataclass(frozen=True, slots=True)
class TestTold:
    """A test as it was sent, and what the trend made of it; ``seen`` is None if it uses it not."""

    __test__ = False  # not a test class, whatever pytest makes of the name

    view: RecordView
    seen: TestSeen | None

    @property
    def duty_differs(self) -> bool:
        """True where a proof was made at another regulator duty than the family's."""
        return (
            self.seen is not None
            and self.view.effective.proof is not None
            and self.seen.proof_ratio is None
        )


@dataclass(frozen=True, slots=True)
class VehicleAccount:
    """One vehicle: its document in force, what the trend says, its tests and events."""

    vehicle: Vehicle
    trend: VehicleInFull | None
    tests: tuple[TestTold, ...]
    """The newest first, at most ``MOST_TESTS`` and, for a workshop, its own only."""
    n_tests: int
    """How many there are to tell of, shown or not."""
    events: tuple[Event, ...]
    """Fitments and findings, oldest first; none for a workshop."""

    @property
    def present_pump(self) -> PumpSeen | None:
        """The pump that is fitted now."""
        return None if self.trend is None else self.trend.pumps[-1]

    @property
    def seen(self) -> list[TestSeen]:
        """The tests told of that the trend uses, oldest first."""
        return [test.seen for test in reversed(self.tests) if test.seen is not None]


def vehicle_account(
    store: Store,
    settings: Settings,
    fleet_id: int,
    vehicle: str,
    as_of: datetime | None = None,
    poster: Poster | None = None,
) -> VehicleAccount:
    """Return everything there is to tell of a vehicle; a ``poster`` sees its own tests only.

    What happened after ``as_of`` is told of as well, but the trend makes nothing of it.

    Raises
    ------
    NotFoundError
        No vehicle of that name in the fleet.
    """
    with store.read() as session:
        history = vehicle_history(session, fleet_id, vehicle)
    trend = vehicle_in_full(store, settings, fleet_id, vehicle, as_of)
    seen = {test.record_id: test for pump in (trend.pumps if trend else ()) for test in pump.tests}
    tests = [
        TestTold(entry, seen.get(str(entry.document.record_id)))
        for _, entry in reversed(history.events)
        if isinstance(entry, RecordView) and (poster is None or is_posted_by(entry, poster))
    ]
    return VehicleAccount(
        vehicle=cast(Vehicle, history.versions[-1].document),
        trend=trend,
        tests=tuple(tests[:MOST_TESTS]),
        n_tests=len(tests),
        events=_events(history.events) if poster is None else (),
    )


def _events(history: Sequence[tuple[datetime, StoredDocument]]) -> tuple[Event, ...]:
    told: list[Event] = []
    lettered = 0
    for at, entry in history:
        document = entry.document
        if not isinstance(document, Fitment | Finding):
            continue
        letter = None
        if entry.void_reason is None:
            letter, lettered = _letter(lettered), lettered + 1
        told.append(Event(entry, document, at, letter))
    return tuple(told)


def _letter(n: int) -> str:
    """Return A, B, ... Z, AA, AB, ... for 0, 1, ..."""
    rest, own = divmod(n, len(_LETTERS))
    return (_letter(rest - 1) if rest else "") + _LETTERS[own]
