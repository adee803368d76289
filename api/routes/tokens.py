"""Bearer tokens, for administrators: make, list, revoke."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import Response

from api.bodies import JsonBody
from api.calls import AdminCall, Call
from api.examples import TOKEN
from api.once import Answer, OnceDep
from api.openapi import json_body, problems
from api.requests import TokenRequest
from api.shapes import NewTokenShape, TokenListShape, TokenShape, token_shape
from api.token_scope import fleets_for_token, require_may_revoke, visible_token
from fleetdb.records.parsing import parse_as
from fleetdb.store.tokens import create_token, list_tokens, revoke_token

router = APIRouter(prefix="/v1/tokens", tags=["tokens"])


@router.post(
    "",
    summary="Make a bearer token",
    status_code=201,
    response_model=NewTokenShape,
    responses=problems(403, 404, 409, 413, 415, 422),
    openapi_extra=json_body(TokenRequest, TOKEN),
)
def make_token(call: AdminCall, once: OnceDep, body: JsonBody) -> Response:
    """Make a token for fleets that the administrator's own token serves.

    The secret is in this answer and nowhere else: only its hash is stored. A retry
    under the same Idempotency-Key is answered without it.
    """
    return once.answer(call, body, partial(_make, call, body))


def _make(call: Call, body: bytes) -> Answer:
    wanted = parse_as(TokenRequest, body)
    with call.store.write() as session:
        token, secret = create_token(
            session,
            wanted.label,
            wanted.role,
            fleets_for_token(session, call, wanted.fleets),
            wanted.workshop_name,
            wanted.expires_at,
            actor=call.actor,
        )
        made = visible_token(session, call, token.id)
    content = token_shape(made, call.caller)
    return Answer(201, {**content, "token": secret}, kept={**content, "token": None})


@router.get(
    "",
    summary="List the fleet's tokens",
    response_model=TokenListShape,
    responses=problems(403, 404, 422),
)
def get_tokens(call: AdminCall) -> dict[str, Any]:
    """List every token that serves the fleet, ended ones too, oldest first; never a secret."""
    with call.store.read() as session:
        tokens = list_tokens(session, call.fleet_id)
    return {"items": [token_shape(token, call.caller) for token in tokens]}


@router.post(
    "/{token_id}/revoke",
    summary="End a token",
    response_model=TokenShape,
    responses=problems(403, 404, 409, 413, 415, 422),
)
def end_token(
    call: AdminCall,
    once: OnceDep,
    token_id: Annotated[int, Path(description="As listed.", ge=1, le=2**62)],
) -> Response:
    """End a token at once and for good. Ending it again changes nothing."""
    return once.answer(call, b"", partial(_end, call, token_id))


def _end(call: Call, token_id: int) -> Answer:
    with call.store.write() as session:
        require_may_revoke(session, call, token_id)
        ended = revoke_token(session, token_id, actor=call.actor)
    return Answer(200, token_shape(ended, call.caller))
