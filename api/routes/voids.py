"""Withdrawing a document: it is marked with the reason, stays, and is used no more."""

# No `from __future__ import annotations` here: FastAPI must see what each kind's loop fills in.
from functools import partial
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Path
from fastapi.responses import Response

from api.bodies import JsonBody
from api.calls import Call, ManagerCall
from api.examples import VOID
from api.once import Answer, OnceDep
from api.openapi import json_body, problems
from api.requests import VoidRequest
from api.resources import RESOURCES, Resource
from api.shapes import VoidShape
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_as
from fleetdb.store.amending import void_document
from fleetdb.store.voids import VOIDABLE
from fleetdb.timestamps import format_rfc3339

router = APIRouter(prefix="/v1", tags=["documents"])


def _add_void(resource: Resource) -> None:
    correction = (
        "To correct a record, send a new one that supersedes it."
        if resource.kind is Kind.TEST_RECORDS
        else f"To correct a {resource.noun}, send a new one under another id."
    )

    @router.post(
        f"{resource.path}/{{{resource.id_field}}}/void",
        name=f"void_{resource.kind.value}",
        operation_id=f"void_{resource.kind.value}",
        summary=f"Withdraw a {resource.noun}",
        description=(
            f"Mark a {resource.noun} as not to be used, with the reason; it stays and can still "
            "be read. The same reason again changes nothing; another reason is refused. "
            f"{correction}"
        ),
        response_model=VoidShape,
        responses=problems(403, 404, 409, 413, 415, 422),
        openapi_extra=json_body(VoidRequest, VOID),
    )
    def post_void(
        call: ManagerCall,
        once: OnceDep,
        document_id: Annotated[
            UUID, Path(alias=resource.id_field, description=f"The {resource.noun}'s id.")
        ],
        body: JsonBody,
    ) -> Response:
        return once.answer(call, body, partial(_void, call, resource, document_id, body))


def _void(call: Call, resource: Resource, document_id: UUID, body: bytes) -> Answer:
    wanted = parse_as(VoidRequest, body)
    with call.store.write() as session:
        voided = void_document(
            session, call.fleet_id, resource.kind, document_id, wanted.reason, call.actor
        )
    content = {
        resource.id_field: str(voided.document_id),
        "reason": voided.reason,
        "voided_at": format_rfc3339(voided.voided_at),
    }
    return Answer(200, content)


for _resource in RESOURCES:
    if _resource.kind in VOIDABLE:
        _add_void(_resource)
