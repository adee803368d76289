"""The six kinds of document: post one, post many, list them, get one by its id.

Test records are posted by a route of their own (``test_records``), which answers
with a receipt; the rest of what they share with the other kinds is here.
"""

# No `from __future__ import annotations` here: FastAPI must see what each kind's loop fills in.
from dataclasses import replace
from functools import partial
from typing import Annotated, Any
from urllib.parse import quote
from uuid import UUID

from fastapi import APIRouter, Depends, Path
from fastapi.responses import Response

from api.batch import answer_lines
from api.bodies import NDJSON, JsonBody, require_ndjson
from api.calls import Call, call_of
from api.examples import DOCUMENTS
from api.filters import filter_of
from api.ndjson import NdjsonExchange
from api.once import Answer, OnceDep
from api.openapi import json_body, ndjson_body, problems
from api.paging import PagingDep
from api.resources import RESOURCES, TEST_RECORDS, Resource
from api.sent import counted
from api.shapes import (
    AcceptedShape,
    DocumentPageShape,
    StoredShape,
    remark_shape,
    stored_shape,
)
from api.slashes import PathName
from api.workshops import poster_of, require_own
from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from fleetdb.store.by_id import stored_document
from fleetdb.store.ingest import accept
from fleetdb.store.queries import DocumentFilter, list_documents

router = APIRouter(prefix="/v1", tags=["documents"])

_ONE_ANSWER_A_LINE = (
    '{"line": 1, "status": 201, "record_id": "018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f", '
    '"outcome": "accepted", "remarks": []}\n'
)


def _add_post(resource: Resource) -> None:
    caller = Depends(call_of(resource.post_roles))

    @router.post(
        resource.path,
        name=f"post_{resource.kind.value}",
        operation_id=f"post_{resource.kind.value}",
        summary=f"Send a {resource.noun}",
        status_code=201,
        response_model=AcceptedShape,
        responses={
            200: {"model": AcceptedShape, "description": "Stored before with equal contents."},
            **problems(403, 404, 409, 413, 415, 422),
        },
        openapi_extra=json_body(resource.kind.model, DOCUMENTS[resource.kind]),
    )
    def post(call: Annotated[Call, caller], once: OnceDep, body: JsonBody) -> Response:
        work = partial(_receive, call, resource, body)
        return once.answer(call, body, counted(call, resource.kind.value, body, work))

    post.__doc__ = (
        f"Store one {resource.noun}. The same id with equal contents again is answered 200; "
        "with other contents 409, and nothing is overwritten."
    )


def _receive(call: Call, resource: Resource, body: bytes) -> Answer:
    document = parse_document(resource.kind, body)
    with call.store.write() as session:
        accepted = accept(
            session, call.fleet_id, resource.kind, document, call.actor, call.caller.token_id
        )
    outcome = "already_there" if accepted.already_there else "accepted"
    call.services.metrics.count_document(resource.kind.value, outcome)
    content = {
        resource.id_field: accepted.key,
        "outcome": outcome,
        "remarks": [remark_shape(remark) for remark in accepted.remarks],
    }
    headers = {"Location": f"/v1{resource.path}/{quote(accepted.key, safe='')}"}
    return Answer(200 if accepted.already_there else 201, content, headers)


def _cautions_of(resource: Resource) -> str:
    """Return what the description of a batch of tests adds: its answers have no room for it."""
    return "\n\n" + " ".join(CAUTIONS) if resource is TEST_RECORDS else ""


def _add_batch(resource: Resource) -> None:
    caller = Depends(call_of(resource.post_roles))

    @router.post(
        f"{resource.path}/batch",
        name=f"post_{resource.kind.value}_batch",
        operation_id=f"post_{resource.kind.value}_batch",
        summary=f"Send many {resource.noun}s, one a line",
        description=(
            f"Newline-delimited JSON, one {resource.noun} a line, of any length: lines are "
            "stored as they arrive and answered in order, one line each, with line, status, "
            f"{resource.id_field}, outcome, and remarks or problems. A bad line does not stop "
            "the others. What is answered is stored; after a broken connection, send "
            "everything again: lines stored before are answered already_there. An "
            "Idempotency-Key is not needed, since each document has an id of its own, and "
            "is not looked at." + _cautions_of(resource)
        ),
        status_code=200,
        response_class=Response,
        responses={
            200: {
                "description": "One answer per line, in order.",
                "content": {NDJSON: {"schema": {"type": "string"}, "example": _ONE_ANSWER_A_LINE}},
            },
            **problems(403, 404, 415, 422),
        },
        openapi_extra=ndjson_body(resource.kind.model, DOCUMENTS[resource.kind]),
        dependencies=[caller, Depends(require_ndjson)],
    )
    async def post_batch(call: Annotated[Call, caller]) -> Response:
        return NdjsonExchange(partial(answer_lines, call, resource))


def _add_list(resource: Resource) -> None:
    caller = Depends(call_of(resource.read_roles))

    @router.get(
        resource.path,
        name=f"list_{resource.kind.value}",
        operation_id=f"list_{resource.kind.value}",
        summary=f"List {resource.noun}s",
        description=(
            f"List the fleet's {resource.noun}s in the order they were stored. Every one "
            "stored when the first page was asked for is on one of the pages, whatever "
            "arrives meanwhile. A workshop's token sees the test records it sent and "
            "those of its workshop."
        ),
        response_model=DocumentPageShape,
        responses=problems(403, 404, 422),
    )
    def get_list(
        call: Annotated[Call, caller],
        paging: PagingDep,
        filters: Annotated[DocumentFilter, Depends(filter_of(resource))],
    ) -> Response:
        with call.store.read() as session:
            found = list_documents(
                session,
                call.fleet_id,
                resource.kind,
                paging.after_row(),
                paging.rows_wanted,
                replace(filters, poster=poster_of(call)),
            )
        return paging.answer(found, stored_shape, lambda entry: [entry.row_id])


def _add_get(resource: Resource) -> None:
    caller = Depends(call_of(resource.read_roles))
    key_type = PathName if resource.kind in (Kind.PUMP_FAMILIES, Kind.VEHICLES) else UUID
    description = f"The {resource.id_field} its sender gave it."

    @router.get(
        f"{resource.path}/{{{resource.id_field}}}",
        name=f"get_{resource.kind.value}",
        operation_id=f"get_{resource.kind.value}",
        summary=f"Get a {resource.noun}",
        description=(
            f"Get one {resource.noun} as it was sent, with when it was received; of a pump "
            "family or vehicle, the version in force. A workshop's token gets the test "
            "records it sent and those of its workshop."
        ),
        response_model=StoredShape,
        responses=problems(403, 404, 422),
    )
    def get_one(
        call: Annotated[Call, caller],
        key: Annotated[key_type, Path(alias=resource.id_field, description=description)],  # pyright: ignore
    ) -> dict[str, Any]:
        with call.store.read() as session:
            found = stored_document(session, call.fleet_id, resource.kind, key)
        require_own(call, found)
        return stored_shape(found)


for _resource in RESOURCES:
    if _resource is not TEST_RECORDS:
        _add_post(_resource)
    _add_batch(_resource)
    _add_list(_resource)
    _add_get(_resource)
