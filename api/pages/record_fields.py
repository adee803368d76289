"""The fields of the form of a test: what was typed, and what is said beside each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from api.calls import Call
from api.pages.clocks import UTC_OFFSET, moment_of
from api.sent import note, typed_again, typed_refused
from api.workshops import from_workshop_of
from fleetdb.errors import InvalidInputError, Problem, SameIdOtherBodyError
from fleetdb.records.documents import Kind, PumpFamily, TestRecord
from fleetdb.records.parsing import parse_as
from fleetdb.records.typed_record import ENTRIES, Typed, read_typed, unit_called, units_by_entry
from fleetdb.report.receipt import Received, receive_test_record
from fleetdb.store.ingest import judge
from fleetdb.store.queries import odometer_remark
from fleetdb.store.sent_counts import refused
from fleetdb.units import UNITS, Quantity, Unit

WHOLE_FORM = ""
# What a field of the form is part of, where the document has no field of that name.
_PART_OF = {UTC_OFFSET: "performed_at", "kit_new": "kit"}


@dataclass(frozen=True, slots=True)
class Told:
    """Something said beside a field: ``kind`` is wrong, odd or is (what was typed comes to)."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Attempt:
    """What a filled-in form comes to: a record, or what is to be mended first."""

    typed: Typed
    record: TestRecord | None
    told: dict[str, list[Told]] = field(default_factory=dict)

    def refuse(self, problem: Problem) -> None:
        """Say what is wrong beside the field that it is about."""
        name, text = self.typed.told(problem)
        self.tell_at(name, "wrong", text)

    def tell_at(self, name: str, kind: str, text: str) -> None:
        """Say something beside a field."""
        self.told.setdefault(name, []).append(Told(kind, text))


def units_of(fields: Mapping[str, str]) -> dict[Quantity, Unit]:
    """Return the unit chosen for each quantity, the inside one where none was."""
    return {
        quantity: unit_called(quantity, fields.get(f"{quantity}_unit", "")) for quantity in UNITS
    }


def attempt_of(
    call: Call, fields: Mapping[str, str], family: PumpFamily, kits: list[str]
) -> Attempt:
    """Read a filled-in form as far as it can be read without what is stored."""
    problems: list[tuple[str, str]] = []
    values: dict[str, Any] = {
        "record_id": fields.get("record_id", ""),
        "vehicle": fields.get("vehicle", ""),
    }
    try:
        values["performed_at"] = moment_of(fields, "performed_at")
    except InvalidInputError as error:
        problems += [(problem.pointer[1:], problem.detail) for problem in error.problems]
    if fields.get("supersedes"):
        values["supersedes"] = fields["supersedes"]
    texts = {name: fields[name] for name in ENTRIES if name in fields}
    texts["kit"] = _kit(fields, kits, problems)
    typed = read_typed(
        values,
        texts,
        units_by_entry(units_of(fields)),
        default_target_bar=family.proof_target_bar,
    )
    problems += typed.problems
    record, refusal = _record(call, typed)
    attempt = Attempt(typed, None if problems else record)
    for name, text in problems:
        attempt.tell_at(name, "wrong", text)
    if refusal is not None:
        # What could not be read is missing from the document: that is one problem, not two.
        unread = {WHOLE_FORM, *attempt.told} if problems else set()
        for problem in refusal.problems:
            name = typed.name_at(problem.pointer)
            if name not in unread:
                attempt.tell_at(name, "wrong", problem.detail)
    for name, text in typed.converted.items():
        attempt.tell_at(name, "is", f"= {text}")
    return attempt


def check(call: Call, attempt: Attempt) -> None:
    """Say beside the fields what storing the record would refuse or remark."""
    if attempt.record is None:
        return
    record = attempt.record
    with call.store.read() as session:
        ((problems, remarks),) = judge(
            session, call.fleet_id, Kind.TEST_RECORDS, [record], call.caller.token_id
        )
        odd_distance = odometer_remark(session, call.fleet_id, record)
    for problem in problems:
        attempt.refuse(problem)
    for remark in [*remarks, *([odd_distance] if odd_distance is not None else [])]:
        attempt.tell_at(attempt.typed.name_at(remark.pointer), "odd", remark.detail)


def send(call: Call, attempt: Attempt) -> Received | SameIdOtherBodyError | None:
    """Store the record and return its receipt, or None when something is to be mended.

    What that is, is said beside the fields. Contents other than those stored under the
    record's id are for the sender to explain.
    """
    if attempt.record is None:
        _count_refused(call, attempt)
        return None
    try:
        received = receive_test_record(
            call.store,
            call.settings,
            call.fleet_id,
            attempt.record,
            call.actor,
            call.caller.token_id,
        )
    except SameIdOtherBodyError as error:
        workshop = call.caller.workshop_name or attempt.record.workshop
        note(call, Counter([refused(Kind.TEST_RECORDS.value, error, workshop)]))
        return error
    except InvalidInputError as error:
        for problem in error.problems:
            attempt.refuse(problem)
        _count_refused(call, attempt)
        return None
    if received.already_there:
        note(call, Counter([typed_again(call, attempt.record.workshop or "")]))
    call.services.metrics.count_document(
        Kind.TEST_RECORDS.value, "already_there" if received.already_there else "accepted"
    )
    return received


def _count_refused(call: Call, attempt: Attempt) -> None:
    """Count the form as one refused record, by the first field that is wrong."""
    wrong = [name for name, said in attempt.told.items() if any(t.kind == "wrong" for t in said)]
    entry = _PART_OF.get(wrong[0], wrong[0])
    workshop = str(attempt.typed.values.get("workshop") or "")
    note(call, Counter([typed_refused(call, entry, workshop)]))


def _record(call: Call, typed: Typed) -> tuple[TestRecord | None, InvalidInputError | None]:
    try:
        return from_workshop_of(call, parse_as(TestRecord, typed.values)), None
    except InvalidInputError as error:
        return None, error


def _kit(fields: Mapping[str, str], kits: list[str], problems: list[tuple[str, str]]) -> str:
    chosen, new = fields.get("kit", ""), fields.get("kit_new", "")
    if chosen and new:
        problems.append(("kit_new", f"{chosen} is chosen already: leave this empty"))
    # One gauge under two names is two kits, and neither can be compared with the others.
    alike = [kit for kit in kits if kit.casefold() == new.casefold() and kit != new]
    if alike:
        problems.append(("kit_new", f"there is a kit {alike[0]} already: choose it from the list"))
    return new or chosen
