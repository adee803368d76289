"""Many documents in one request: what each line of a batch is answered."""

from __future__ import annotations

import logging
from collections import Counter
from typing import Any

from api.calls import Call
from api.errors import BodyTooLargeError, problem_of
from api.ndjson import LINE_LIMIT_BYTES, Line
from api.resources import Resource
from api.sent import note, workshop_of_call
from api.shapes import remark_shape
from api.workshops import from_workshop_of
from fleetdb.errors import FleetDbError
from fleetdb.records.documents import Document
from fleetdb.records.parsing import parse_document, parse_object
from fleetdb.store.ingest import Accepted, accept_many
from fleetdb.store.sent_counts import Sent, refused, sent_again

_log = logging.getLogger(__name__)


def answer_lines(call: Call, resource: Resource, lines: list[Line]) -> list[dict[str, Any]]:
    """Store the good lines in one transaction; return one answer per line, in order.

    Whatever goes wrong is told in the answers: a batch has already begun to answer,
    and one bad line must not stop the others.
    """
    parsed = [_parse(call, resource, line) for line in lines]
    documents = [document for document in parsed if isinstance(document, Document)]
    try:
        with call.store.write() as session:
            stored = accept_many(
                session,
                call.fleet_id,
                resource.kind,
                documents,
                call.actor,
                call.caller.token_id,
            )
    except Exception as error:
        _log.error("lines %d to %d failed", lines[0].number, lines[-1].number, exc_info=error)
        stored = [error for _ in documents]
    results = iter(stored)
    answers = []
    sent: Counter[Sent] = Counter()
    for line, document in zip(lines, parsed, strict=True):
        result = next(results) if isinstance(document, Document) else document
        answers.append(_answer(call, resource, line, result))
        sent.update(_not_stored(call, resource, line, result))
    note(call, sent)
    return answers


def _not_stored(
    call: Call, resource: Resource, line: Line, result: Accepted | Exception
) -> list[Sent]:
    if isinstance(result, FleetDbError):
        workshop = workshop_of_call(call, line.content)
        return [refused(resource.kind.value, result, workshop)]
    if isinstance(result, Accepted) and result.already_there:
        return [sent_again(resource.kind.value, workshop_of_call(call, line.content))]
    return []


def _parse(call: Call, resource: Resource, line: Line) -> Document | FleetDbError:
    if line.content is None:
        return BodyTooLargeError(LINE_LIMIT_BYTES)
    try:
        document = parse_document(resource.kind, line.content)
        return from_workshop_of(call, document)
    except FleetDbError as error:
        return error


def _answer(
    call: Call, resource: Resource, line: Line, result: Accepted | Exception
) -> dict[str, Any]:
    if isinstance(result, Exception):
        problem = problem_of(result, f"#line-{line.number}")
        outcome = "failed" if problem["status"] >= 500 else "refused"
        call.services.metrics.count_document(resource.kind.value, outcome)
        return {
            "line": line.number,
            "status": problem["status"],
            resource.id_field: _id_in(line.content, resource),
            "outcome": outcome,
            "problems": problem.get("errors", [{"pointer": "", "detail": problem["detail"]}]),
        }
    outcome = "already_there" if result.already_there else "accepted"
    call.services.metrics.count_document(resource.kind.value, outcome)
    return {
        "line": line.number,
        "status": 200 if result.already_there else 201,
        resource.id_field: result.key,
        "outcome": outcome,
        "remarks": [remark_shape(remark) for remark in result.remarks],
    }


def _id_in(content: bytes | None, resource: Resource) -> str | None:
    """Return the id a refused line gives, so that its sender can find it; None when unreadable."""
    if content is None:
        return None
    try:
        value = parse_object(content).get(resource.id_field)
    except FleetDbError:
        return None
    return value[:80] if isinstance(value, str) else None
