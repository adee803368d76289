"""Test records from the rows of a sheet: judged for a preview, or stored row by row.

Each row stands for itself: it is stored or refused with its reasons, and hinders no other.
Its record's id follows from the fleet and from everything the row says, so the same row
stores nothing a second time, in this file or another, in whatever units or order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any
from uuid import UUID, uuid5

from sqlalchemy import select, true
from sqlalchemy.orm import Session

from fleetdb.errors import FleetDbError, InvalidInputError, Problem
from fleetdb.records.digest import digest
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.parsing import parse_as
from fleetdb.records.plausibility import unknown_vehicle
from fleetdb.records.sheet_columns import PERFORMED, TIME, VEHICLE, Column, unit_of
from fleetdb.records.sheet_times import Clock
from fleetdb.records.sheets import Cell
from fleetdb.records.typed_record import ENTRIES, Typed, read_typed
from fleetdb.store.engine import Store
from fleetdb.store.ingest import LARGEST_BATCH, Accepted, accept_many, judge
from fleetdb.store.lookup import KnownFleet, known_fleet
from fleetdb.store.posters import posted_by, poster_of_token
from fleetdb.store.refusals import problems_of
from fleetdb.store.stored_documents import is_superseded
from fleetdb.store.tables import TestRecordRow, VehicleIdentity
from fleetdb.store.voids import is_voided

Sign = Callable[[TestRecord], TestRecord]
"""Gives a record the workshop it is sent from; raises InvalidInputError if it is another's."""

Row = tuple[int, Sequence[Cell]]

# The namespace of ids that follow from a row: any fixed UUID, drawn once.
_ROWS = UUID("6c5d1f0e-8f43-4f0b-9f0a-2b7d3a54c1e6")
_NO_ID = UUID(int=0)


class Outcome(StrEnum):
    """What became of a row; in a preview, what would."""

    ACCEPTED = "accepted"
    ALREADY_THERE = "already_there"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Reading:
    """How a sheet is to be read: what each column holds, and how it writes numbers and times.

    ``workshop`` is that of rows which name none, "" for none.
    """

    columns: Sequence[Column]
    decimal_mark: str
    clock: Clock
    workshop: str = ""

    def problems(self) -> list[tuple[str, str]]:
        """Return what is wrong with it, by entry."""
        problems: list[tuple[str, str]] = []
        chosen = [column.entry for column in self.columns if column.entry]
        for entry in dict.fromkeys(chosen):
            if chosen.count(entry) > 1:
                problems.append((entry, "is chosen for more than one column"))
        for entry in (VEHICLE, PERFORMED):
            if entry not in chosen:
                problems.append((entry, "is in no column: choose one"))
        for column in self.columns:
            try:
                unit_of(column)
            except ValueError as error:
                problems.append((column.entry, str(error)))
        return problems


@dataclass(slots=True)
class RowReport:
    """What became of one row. ``problems`` are (entry or "", what is wrong)."""

    number: int
    outcome: Outcome
    record: TestRecord | None = None
    problems: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Read:
    """A row that has been read: a record, or what is wrong."""

    number: int
    typed: Typed
    record: TestRecord | None
    problems: list[tuple[str, str]]


def preview_rows(
    session: Session,
    fleet: tuple[int, str],
    rows: Sequence[Row],
    reading: Reading,
    sign: Sign,
    token_id: int | None,
) -> list[RowReport]:
    """Return what would become of ``rows``, as far as it can be told without storing them."""
    read = _read_rows(session, fleet, rows, reading, sign)
    records = [row.record for row in read if row.record is not None]
    judged = iter(judge(session, fleet[0], Kind.TEST_RECORDS, records, token_id))
    reports: list[RowReport] = []
    for row in read:
        if row.record is None:
            reports.append(_refused(row, row.problems))
            continue
        problems, remarks = next(judged)
        if problems:
            reports.append(_refused(row, _at_entries(row.typed, problems)))
        else:
            details = [remark.detail for remark in remarks]
            reports.append(RowReport(row.number, Outcome.ACCEPTED, row.record, [], details))
    return reports


def load_rows(
    store: Store,
    fleet: tuple[int, str],
    rows: Sequence[Row],
    reading: Reading,
    sign: Sign,
    actor: str,
    token_id: int | None,
) -> list[RowReport]:
    """Store what can be stored of ``rows`` and return, in order, what became of each.

    A batch of rows is a transaction. Where it is broken off, what is not reported may be
    stored or not: the same file again stores the rest, and nothing twice.
    """
    reports: list[RowReport] = []
    first_rows: dict[UUID, int] = {}
    for start in range(0, len(rows), LARGEST_BATCH):
        with store.write() as session:
            read = _read_rows(session, fleet, rows[start : start + LARGEST_BATCH], reading, sign)
            records = [row.record for row in read if row.record is not None]
            rivals = _others_at_that_time(session, fleet[0], records, token_id)
            results = iter(
                accept_many(session, fleet[0], Kind.TEST_RECORDS, records, actor, token_id)
            )
            for row in read:
                if row.record is None:
                    reports.append(_refused(row, row.problems))
                else:
                    report = _stored(row, row.record, next(results), rivals)
                    _say_if_repeated(report, first_rows)
                    reports.append(report)
    return reports


def _stored(
    row: _Read, record: TestRecord, result: Accepted | FleetDbError, rivals: set[_Visit]
) -> RowReport:
    if isinstance(result, FleetDbError):
        return _refused(row, _at_entries(row.typed, problems_of(result)))
    remarks = [remark.detail for remark in result.remarks]
    if not result.already_there and (record.vehicle, record.performed_at) in rivals:
        remarks.append(
            "another test of this vehicle at this very time is stored already: if this one "
            "corrects it, withdraw the other"
        )
    outcome = Outcome.ALREADY_THERE if result.already_there else Outcome.ACCEPTED
    return RowReport(row.number, outcome, record, [], remarks)


def _say_if_repeated(report: RowReport, first_rows: dict[UUID, int]) -> None:
    if report.record is None:
        return
    first = first_rows.setdefault(report.record.record_id, report.number)
    if first != report.number:
        report.remarks.append(
            f"says the same as row {first} and counts once; if it was a second test, give it a "
            "time or a note of its own"
        )


def _refused(row: _Read, problems: list[tuple[str, str]]) -> RowReport:
    return RowReport(row.number, Outcome.REFUSED, row.record, problems)


def _at_entries(typed: Typed, problems: Sequence[Problem]) -> list[tuple[str, str]]:
    return [typed.told(problem) for problem in problems]


def _read_rows(
    session: Session, fleet: tuple[int, str], rows: Sequence[Row], reading: Reading, sign: Sign
) -> list[_Read]:
    place = {column.entry: i for i, column in enumerate(reading.columns) if column.entry}
    units = {
        column.entry: unit for column in reading.columns if (unit := unit_of(column)) is not None
    }
    vehicles = {_text(cells[place[VEHICLE]]) for _, cells in rows}
    known = known_fleet(session, fleet[0], vehicles)
    read: list[_Read] = []
    for number, cells in rows:
        texts = {
            entry: _text(cells[i]) if ENTRIES[entry].is_text else cells[i]
            for entry, i in place.items()
            if entry in ENTRIES
        }
        problems: list[tuple[str, str]] = []
        values: dict[str, Any] = {
            "record_id": _NO_ID,
            "vehicle": _text(cells[place[VEHICLE]]),
            "performed_at": None,
            "workshop": reading.workshop or None,
        }
        try:
            times = _text(cells[place[TIME]]) if TIME in place else ""
            values["performed_at"] = reading.clock.moment(_text(cells[place[PERFORMED]]), times)
        except (ValueError, OverflowError) as error:
            problems.append((PERFORMED, str(error)))
        typed = read_typed(
            values,
            texts,
            units,
            decimal_mark=reading.decimal_mark,
            default_target_bar=_target_bar(known, values),
        )
        problems += typed.problems
        if known.vehicle(values["vehicle"]) is None:
            # Without its family nothing else of the row can be told.
            read.append(_Read(number, typed, None, [_no_vehicle(values["vehicle"]), *problems]))
        else:
            read.append(_checked(number, fleet[1], typed, problems, sign))
    return read


def _checked(
    number: int, fleet: str, typed: Typed, problems: list[tuple[str, str]], sign: Sign
) -> _Read:
    unread = {name for name, _ in problems}
    try:
        record = sign(parse_as(TestRecord, typed.values))
    except InvalidInputError as error:
        told = _at_entries(typed, error.problems)
        # What could not be read is missing from the document: one problem, not two.
        more = [entry for entry in told if not unread or entry[0] not in {"", *unread}]
        return _Read(number, typed, None, problems + more)
    if problems:
        return _Read(number, typed, None, problems)
    record_id = uuid5(_ROWS, f"{fleet}/{digest(record)}")
    return _Read(number, typed, record.model_copy(update={"record_id": record_id}), [])


def _no_vehicle(vehicle: str) -> tuple[str, str]:
    return VEHICLE, unknown_vehicle(vehicle).detail if vehicle else "is missing"


def _target_bar(known: KnownFleet, values: dict[str, Any]) -> float | None:
    vehicle = known.vehicle(values["vehicle"])
    if vehicle is None:
        return None
    # A row without a time that can be read is refused for that, and not for its target too.
    moment: datetime = values["performed_at"] or datetime.now(UTC)
    family = known.family(vehicle.document.pump_family, moment.date())
    return None if family is None else family.proof_target_bar


_Visit = tuple[str, datetime]


def _others_at_that_time(
    session: Session, fleet_id: int, records: Sequence[TestRecord], token_id: int | None
) -> set[_Visit]:
    """Return vehicle and time of these records where another one, of other contents, is stored."""
    poster = poster_of_token(session, token_id)
    found = session.execute(
        select(VehicleIdentity.vehicle, TestRecordRow.performed_at, TestRecordRow.record_id)
        .join(VehicleIdentity, VehicleIdentity.id == TestRecordRow.vehicle_id)
        .where(
            VehicleIdentity.fleet_id == fleet_id,
            VehicleIdentity.vehicle.in_({record.vehicle for record in records}),
            TestRecordRow.performed_at.in_({record.performed_at for record in records}),
            true() if poster is None else posted_by(poster, fleet_id),
            ~is_superseded(),
            ~is_voided(Kind.TEST_RECORDS),
        )
    )
    own = {record.record_id for record in records}
    return {(vehicle, moment) for vehicle, moment, record_id in found if record_id not in own}


def _text(cell: Cell) -> str:
    return cell if isinstance(cell, str) else f"{cell!r}".removesuffix(".0")
