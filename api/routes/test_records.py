"""Test records: a post is answered with a receipt."""

from __future__ import annotations

from functools import partial

from fastapi import APIRouter
from fastapi.responses import Response

from api.bodies import JsonBody
from api.calls import AnyCall, Call
from api.examples import DOCUMENTS
from api.once import Answer, OnceDep
from api.openapi import json_body, problems
from api.prefer import APPLIED, MinimalDep
from api.sent import counted
from api.shapes import ReceiptShape
from api.workshops import from_workshop_of
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.parsing import parse_as
from fleetdb.report.receipt import receive_test_record

router = APIRouter(prefix="/v1/test-records", tags=["documents"])


@router.post(
    "",
    summary="Send a test record and get its receipt",
    status_code=201,
    response_model=ReceiptShape,
    responses={
        200: {"model": ReceiptShape, "description": "Stored before; the same receipt again."},
        **problems(403, 404, 409, 413, 415, 422),
    },
    openapi_extra=json_body(TestRecord, DOCUMENTS[Kind.TEST_RECORDS]),
)
def post_test_record(
    call: AnyCall,
    once: OnceDep,
    body: JsonBody,
    minimal: MinimalDep,
) -> Response:
    """Store one test record and answer with its figures, remarks and the pump's verdict.

    The same record again is answered 200 with the same receipt; the same id with other
    contents 409. A record sent by a workshop's token without naming a workshop gets the
    token's; naming another one is refused. Rail pressure can exceed 1000 bar and a jet
    penetrates skin: the receipt carries the cautions, and a verdict is only advice.
    """
    work = partial(_receive, call, body, minimal)
    return once.answer(call, body, counted(call, Kind.TEST_RECORDS.value, body, work))


def _receive(call: Call, body: bytes, minimal: bool) -> Answer:
    record = from_workshop_of(call, parse_as(TestRecord, body))
    received = receive_test_record(
        call.store,
        call.settings,
        call.fleet_id,
        record,
        call.actor,
        call.caller.token_id,
        with_verdict=not minimal,
    )
    call.services.metrics.count_document(
        Kind.TEST_RECORDS.value, "already_there" if received.already_there else "accepted"
    )
    headers = {"Location": f"/v1/test-records/{record.record_id}"}
    if minimal:
        headers |= APPLIED
    return Answer(200 if received.already_there else 201, received.receipt, headers)
