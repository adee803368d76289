"""Taking documents into the truth: new, already there, or refused, never half stored.

One code path serves a single document and a batch: what the batch names is fetched
at once, every document is judged on its own, and what is accepted is inserted with
one statement per table.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session

from fleetdb.errors import FleetDbError, InvalidInputError, Problem, SameIdOtherBodyError
from fleetdb.records.digest import digest
from fleetdb.records.documents import Document, Kind
from fleetdb.records.plausibility import Findings, Remark
from fleetdb.store.audit import Change, record_changes
from fleetdb.store.intake import (
    FindingIntake,
    FitmentIntake,
    Intake,
    KitCalibrationIntake,
    Planned,
    PumpFamilyIntake,
    Stored,
    VehicleIntake,
)
from fleetdb.store.record_intake import TestRecordIntake

# Names and ids of one batch go into one query, whose parameters databases limit.
LARGEST_BATCH = 1_000

_INTAKES: dict[Kind, type[Intake[Any]]] = {
    intake.kind: intake
    for intake in (
        PumpFamilyIntake,
        VehicleIntake,
        KitCalibrationIntake,
        FitmentIntake,
        TestRecordIntake,
        FindingIntake,
    )
}


@dataclass(frozen=True, slots=True)
class Accepted:
    """A document that is stored.

    ``key`` is the natural id as text, ``row_id`` the row in the kind's table (a
    version's row for pump families and vehicles), ``already_there`` True when equal
    contents had been stored before.
    """

    kind: Kind
    key: str
    row_id: int
    already_there: bool
    remarks: list[Remark] = field(default_factory=list)


def accept(
    session: Session,
    fleet_id: int,
    kind: Kind,
    document: Document,
    actor: str,
    token_id: int | None = None,
) -> Accepted:
    """Store one document.

    Raises
    ------
    InvalidInputError
        It clashes with what the fleet has said before: one problem per field.
    SameIdOtherBodyError
        Its id is stored with other contents.
    """
    result = accept_many(session, fleet_id, kind, [document], actor, token_id)[0]
    if isinstance(result, FleetDbError):
        raise result
    return result


def accept_many(
    session: Session,
    fleet_id: int,
    kind: Kind,
    documents: Sequence[Document],
    actor: str,
    token_id: int | None = None,
) -> list[Accepted | FleetDbError]:
    """Store what can be stored; return, in order, what became of each document.

    A refused document leaves nothing behind and does not hinder its neighbours.
    """
    results: list[Accepted | FleetDbError] = []
    for start in range(0, len(documents), LARGEST_BATCH):
        intake = _INTAKES[kind](session, fleet_id, token_id, datetime.now(UTC))
        results += _Batch(intake, documents[start : start + LARGEST_BATCH]).accept(actor)
    return results


def judge(
    session: Session,
    fleet_id: int,
    kind: Kind,
    documents: Sequence[Document],
    token_id: int | None = None,
) -> list[Findings]:
    """Return what accepting each of these documents would find, and store nothing.

    Whether its id is stored already is not asked.
    """
    intake = _INTAKES[kind](session, fleet_id, token_id, datetime.now(UTC))
    intake.fetch(documents)
    return [intake.check(document) for document in documents]


class _Batch:
    """One batch on its way into the store."""

    def __init__(self, intake: Intake[Any], documents: Sequence[Document]) -> None:
        self.intake = intake
        self.documents = documents
        self.keys = [intake.key(document) for document in documents]
        self.digests = [digest(document) for document in documents]
        self.results: dict[int, Accepted | FleetDbError] = {}

    def accept(self, actor: str) -> list[Accepted | FleetDbError]:
        intake = self.intake
        stored = intake.stored(self.documents)
        planned = self._plan(stored)
        # One order everywhere, so that two batches with the same new keys never wait
        # for each other in a ring on PostgreSQL.
        entries = [planned[key] for key in sorted(planned, key=str)]
        inserted = intake.insert([entry for _, entry in entries]) if entries else {}
        changes: list[Change] = []
        for index, entry in entries:
            row_id = inserted.get(self.keys[index])
            if row_id is not None:
                self._accepted(index, row_id, False, entry.remarks)
                changes.append(self._change(entry.document, row_id))
        record_changes(intake.session, intake.fleet_id, actor, intake.now, changes)
        self._answer_lost(planned.keys() - inserted.keys())
        self._answer_repeated(planned, inserted)
        self._add_kept_remarks()
        return [self.results[index] for index in range(len(self.documents))]

    def _plan(self, stored: dict[Hashable, Stored]) -> dict[Hashable, tuple[int, Planned[Any]]]:
        """Judge the documents in order; return those to insert, by key."""
        fresh = [d for d, key in zip(self.documents, self.keys, strict=True) if key not in stored]
        self.intake.fetch(fresh)
        planned: dict[Hashable, tuple[int, Planned[Any]]] = {}
        for index, (document, key) in enumerate(zip(self.documents, self.keys, strict=True)):
            if key in stored:
                self._compare(index, stored[key])
            elif key not in planned:
                problems, remarks = self.intake.check(document)
                if problems:
                    self.results[index] = InvalidInputError(problems)
                else:
                    planned[key] = index, Planned(document, self.digests[index], remarks)
                    self.intake.plan(document)
        return planned

    def _answer_lost(self, lost: set[Hashable]) -> None:
        """Answer documents whose key a rival transaction stored first."""
        indices = [i for i, key in enumerate(self.keys) if key in lost and i not in self.results]
        if not indices:
            return
        stored = self.intake.stored([self.documents[index] for index in indices])
        for index in indices:
            if self.keys[index] in stored:
                self._compare(index, stored[self.keys[index]])
            else:
                detail = self.intake.lost(self.documents[index])
                self.results[index] = InvalidInputError([Problem("/supersedes", detail)])

    def _answer_repeated(
        self,
        planned: dict[Hashable, tuple[int, Planned[Any]]],
        inserted: dict[Hashable, int],
    ) -> None:
        """Answer documents whose key came earlier in the same batch."""
        for index, key in enumerate(self.keys):
            if index not in self.results:
                digests = frozenset((planned[key][1].digest,))
                self._compare(index, Stored(inserted[key], digests))

    def _compare(self, index: int, stored: Stored) -> None:
        if self.digests[index] in stored.digests:
            self._accepted(index, stored.row_id, True, [])
            return
        title = self.intake.title(self.documents[index])
        self.results[index] = SameIdOtherBodyError(
            self.intake.kind.value, title, "/" + self.intake.id_field
        )

    def _accepted(
        self, index: int, row_id: int, already_there: bool, remarks: list[Remark]
    ) -> None:
        text = self.intake.key_text(self.documents[index])
        self.results[index] = Accepted(self.intake.kind, text, row_id, already_there, remarks)

    def _add_kept_remarks(self) -> None:
        """Give those already there the remarks they got when they came."""
        there = {
            index: result
            for index, result in self.results.items()
            if isinstance(result, Accepted) and result.already_there
        }
        if there:
            kept = self.intake.remarks(
                {result.row_id: self.documents[index] for index, result in there.items()}
            )
            for result in there.values():
                result.remarks.extend(kept.get(result.row_id, ()))

    def _change(self, document: Document, row_id: int) -> Change:
        supersedes = getattr(document, "supersedes", None)
        detail = {"supersedes": str(supersedes)} if supersedes is not None else None
        return Change("accepted", self.intake.kind.value, row_id, detail)
