"""The OpenAPI document: request schemas, examples and error answers of every route."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel, Field
from pydantic.json_schema import models_json_schema

from api.errors import MEDIA_TYPE
from api.trace_bodies import BINARY_MEDIA_TYPES
from api.trace_shapes import TraceDocument
from fleetdb.trace.reading import CSV

_REFERENCE = "#/components/schemas/{model}"
_WHEN = {
    400: "The request cannot be read.",
    401: "No bearer token, or one that is unknown, revoked or past its end.",
    403: "The token's role, or its workshop, may not do this.",
    404: "Nothing of that name or id is in this fleet, or the fleet is not the token's.",
    409: "Clashes with what is stored, or the same Idempotency-Key is still being answered.",
    413: "The body is longer than 1 MiB.",
    415: "The body's media type is not read here.",
    422: "A field or parameter cannot be accepted; `errors` points at each.",
    503: "The database cannot be used now; nothing was stored.",
}


class FieldError(BaseModel):
    """One thing wrong: where (one of `pointer`, `parameter`) and what would be right."""

    pointer: str | None = Field(None, description="RFC 6901 JSON Pointer into the body.")
    parameter: str | None = Field(
        None, description="Name of the query parameter, path part or header."
    )
    detail: str


class ProblemBody(BaseModel):
    """An RFC 9457 problem."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: list[FieldError] = []


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the ``responses`` of a route that may answer with these errors."""
    schema = {"$ref": _REFERENCE.format(model=ProblemBody.__name__)}
    return {
        status: {
            "description": _WHEN[status],
            "content": {MEDIA_TYPE: {"schema": schema, "example": _example(status)}},
        }
        for status in sorted({*statuses, 401, 503})
    }


def _example(status: int) -> dict[str, Any]:
    example: dict[str, Any] = {
        "type": f"urn:fleetdb:problem:{_SLUGS[status]}",
        "title": _WHEN[status].split(";")[0],
        "status": status,
        "detail": _WHEN[status],
        "instance": "/v1/test-records",
    }
    if status == 422:
        detail = "actual_bar 9427 is above ridge-16's 1600 bar rail limit: was this psi?"
        example["detail"] = f"/proof/actual_bar: {detail}"
        example["errors"] = [{"pointer": "/proof/actual_bar", "detail": detail}]
    return example


_SLUGS = {
    400: "refused",
    401: "unauthorized",
    403: "forbidden",
    404: "not-found",
    409: "same-id-other-body",
    413: "body-too-large",
    415: "unsupported-media-type",
    422: "invalid-document",
    503: "store-unavailable",
}


def json_body(model: type[BaseModel], example: dict[str, Any]) -> dict[str, Any]:
    """Return the ``openapi_extra`` of a route that reads one JSON document."""
    return _body("application/json", model, example)


def ndjson_body(model: type[BaseModel], example: dict[str, Any]) -> dict[str, Any]:
    """Return the ``openapi_extra`` of a route that reads one document a line."""
    return _body("application/x-ndjson", model, example)


def trace_body(example: dict[str, Any]) -> dict[str, Any]:
    """Return the ``openapi_extra`` of a route that reads a trace in any of its media types."""
    extra = json_body(TraceDocument, example)
    content = extra["requestBody"]["content"]
    columns = zip(example["time_s"], example["rail_bar"], strict=True)
    lines = ["time_s,rail_bar", *(f"{time_s},{rail_bar}" for time_s, rail_bar in columns)]
    content[CSV] = {"schema": {"type": "string"}, "example": "\n".join(lines) + "\n"}
    for media_type in BINARY_MEDIA_TYPES:
        content[media_type] = {"schema": {"type": "string", "format": "binary"}}
    return extra


def _body(media_type: str, model: type[BaseModel], example: dict[str, Any]) -> dict[str, Any]:
    schema = {"$ref": _REFERENCE.format(model=model.__name__)}
    content = {media_type: {"schema": schema, "example": example}}
    return {"requestBody": {"required": True, "content": content}}


class DocumentedApi(FastAPI):
    """FastAPI that knows the schemas of bodies which routes parse themselves.

    Bodies are read by ``fleetdb.records.parsing``, stricter than a JSON library
    (a name given twice, NaN), so FastAPI does not see their models.
    """

    def __init__(self, *, body_models: Sequence[type[BaseModel]], **options: Any) -> None:
        super().__init__(**options)
        self._body_models = [ProblemBody, *body_models]

    def openapi(self) -> dict[str, Any]:
        if self.openapi_schema is None:
            document = get_openapi(
                title=self.title,
                version=self.version,
                summary=self.summary,
                description=self.description,
                routes=self.routes,
                tags=self.openapi_tags,
            )
            _, definitions = models_json_schema(
                [(model, "validation") for model in self._body_models], ref_template=_REFERENCE
            )
            schemas = document.setdefault("components", {}).setdefault("schemas", {})
            schemas.update(definitions["$defs"])
            document["components"]["schemas"] = dict(sorted(schemas.items()))
            self.openapi_schema = document
        return self.openapi_schema
