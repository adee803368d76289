"""One table from error class to status, and one JSON shape (RFC 9457) for every refusal."""

from __future__ import annotations

import logging
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from starlette.exceptions import HTTPException

from api.envelope import PRIVATE_HEADERS
from api.slashes import path_as_sent
from api.wording import parameter_problems
from fleetdb.errors import (
    ConflictError,
    FleetDbError,
    ForbiddenError,
    InvalidInputError,
    NotFoundError,
    OutdatedSchemaError,
    SameIdOtherBodyError,
    SettingError,
)
from fleetdb.report.published import NoVerdictsYetError, SnapshotGoneError
from fleetdb.store.idempotency import KeyReusedError

MEDIA_TYPE = "application/problem+json"
_log = logging.getLogger(__name__)


class UnauthorizedError(FleetDbError):
    """Raised when a request carries no bearer token, or one that opens nothing.

    ``challenge`` is the value of the ``WWW-Authenticate`` header of the answer.
    """

    def __init__(self, detail: str, challenge: str) -> None:
        self.challenge = challenge
        super().__init__(detail)


class ParameterError(FleetDbError):
    """Raised when a query parameter, path part or header cannot be used; names it."""

    def __init__(self, parameter: str, detail: str) -> None:
        self.parameter = parameter
        self.detail = detail
        super().__init__(f"{parameter}: {detail}")


class MediaTypeError(FleetDbError):
    """Raised when a body comes in a media type or coding that is not read here."""


class BodyTooLargeError(FleetDbError):
    """Raised when a body is longer than the limit of its route; ``hint`` says what to do."""

    def __init__(
        self, limit_bytes: int, hint: str = "many records go to .../batch, one a line"
    ) -> None:
        super().__init__(f"the body is longer than {limit_bytes} bytes; {hint}")


@dataclass(frozen=True, slots=True)
class Shape:
    """How one class of error is answered: status, last part of the type URN, title."""

    status: int
    slug: str
    title: str


TABLE: dict[type[Exception], Shape] = {
    InvalidInputError: Shape(422, "invalid-document", "The document cannot be accepted."),
    ParameterError: Shape(422, "invalid-parameter", "A parameter cannot be used."),
    RequestValidationError: Shape(422, "invalid-parameter", "A parameter cannot be used."),
    KeyReusedError: Shape(
        422, "idempotency-key-reused", "The Idempotency-Key belongs to another request."
    ),
    BodyTooLargeError: Shape(413, "body-too-large", "The body is too large."),
    MediaTypeError: Shape(415, "unsupported-media-type", "The body's media type is not read here."),
    SameIdOtherBodyError: Shape(
        409, "same-id-other-body", "The id is already stored with other contents."
    ),
    ConflictError: Shape(409, "conflict", "The request clashes with what is already stored."),
    NoVerdictsYetError: Shape(404, "no-verdicts-yet", "No verdicts have been published yet."),
    SnapshotGoneError: Shape(422, "invalid-parameter", "A parameter cannot be used."),
    NotFoundError: Shape(404, "not-found", "Nothing of that name or id is in this fleet."),
    ForbiddenError: Shape(403, "forbidden", "This token may not do that."),
    UnauthorizedError: Shape(401, "unauthorized", "A valid bearer token is needed."),
    OutdatedSchemaError: Shape(503, "store-unavailable", "The database cannot be used now."),
    OperationalError: Shape(503, "store-unavailable", "The database cannot be used now."),
    PoolTimeoutError: Shape(503, "store-unavailable", "The database cannot be used now."),
    SettingError: Shape(500, "internal-error", "Something went wrong on the server."),
    FleetDbError: Shape(500, "internal-error", "Something went wrong on the server."),
    Exception: Shape(500, "internal-error", "Something went wrong on the server."),
}
_HTTP_SLUGS = {
    404: "no-such-route",
    405: "method-not-allowed",
}
_HTTP_DETAILS = {
    404: "Nothing is served at this address; GET /openapi.json lists what is.",
    405: "The method is not offered here; the Allow header lists those that are.",
}
_STORE_DETAIL = "The store did not answer in time. Nothing was stored; send the request again."
_INTERNAL_DETAIL = (
    "The request could not be carried out. The server's log has the cause under this instance."
)


class ProblemResponse(JSONResponse):
    """An RFC 9457 problem."""

    media_type = MEDIA_TYPE


def shape_of(error: Exception) -> Shape:
    """Return how ``error`` is answered: the row of its nearest ancestor in the table."""
    return next(TABLE[cls] for cls in type(error).__mro__ if cls in TABLE)


def _errors_of(error: Exception) -> list[dict[str, str]]:
    match error:
        case InvalidInputError():
            return [{"pointer": p.pointer, "detail": p.detail} for p in error.problems]
        case SameIdOtherBodyError():
            return [{"pointer": error.pointer, "detail": "already stored with other contents"}]
        case ParameterError():
            return [{"parameter": error.parameter, "detail": error.detail}]
        case SnapshotGoneError():
            return [{"parameter": "cursor", "detail": str(error)}]
        case RequestValidationError():
            return parameter_problems(error.errors())
    return []


def _detail_of(error: Exception, shape: Shape, errors: list[dict[str, str]]) -> str:
    if shape.status == 503:
        return str(error) if isinstance(error, OutdatedSchemaError) else _STORE_DETAIL
    if shape.status == 500:
        return _INTERNAL_DETAIL
    if isinstance(error, RequestValidationError):
        return "; ".join(f"{e['parameter']}: {e['detail']}" for e in errors)
    return str(error)


def problem_of(error: Exception, instance: str) -> dict[str, Any]:
    """Return the RFC 9457 members that tell ``error`` without telling secrets."""
    shape = shape_of(error)
    errors = _errors_of(error)
    problem: dict[str, Any] = {
        "type": f"urn:fleetdb:problem:{shape.slug}",
        "title": shape.title,
        "status": shape.status,
        "detail": _detail_of(error, shape, errors),
        "instance": instance,
    }
    if errors:
        problem["errors"] = errors
    return problem


def _headers_of(error: Exception, status: int) -> Mapping[str, str] | None:
    if isinstance(error, UnauthorizedError):
        return {"WWW-Authenticate": error.challenge}
    if status == 500:
        # Answered outside the middleware that adds these to every other answer.
        return {name.decode(): value.decode() for name, value in PRIVATE_HEADERS.items()}
    return {"Retry-After": "5"} if status == 503 else None


async def _answer_error(request: Request, error: Exception) -> ProblemResponse:
    shape = shape_of(error)
    instance = path_as_sent(request)
    if shape.status >= 500:
        # The address may be shared by many requests: a fresh urn finds this one in the log.
        instance = uuid.uuid4().urn
        cause = error.orig if isinstance(error, DBAPIError) else error
        path = path_as_sent(request)
        _log.error("%s %s failed: %s", request.method, path, instance, exc_info=cause)
    problem = problem_of(error, instance)
    return ProblemResponse(problem, shape.status, _headers_of(error, shape.status))


async def answer_http(request: Request, error: Exception) -> ProblemResponse:
    """Answer what the router refuses: an address or a method that is not served."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    status = error.status_code
    problem = {
        "type": f"urn:fleetdb:problem:{_HTTP_SLUGS.get(status, 'refused')}",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": _HTTP_DETAILS.get(status, error.detail),
        "instance": path_as_sent(request),
    }
    return ProblemResponse(problem, status, error.headers)


def install_error_answers(app: FastAPI) -> None:
    """Make every error of ``app`` an RFC 9457 answer."""
    for cls in (
        FleetDbError,
        RequestValidationError,
        OperationalError,
        PoolTimeoutError,
        Exception,
    ):
        app.add_exception_handler(cls, _answer_error)
    app.add_exception_handler(HTTPException, answer_http)
