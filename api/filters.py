"""Filters of the document lists, as query parameters: each kind has those that fit it."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import Query
from pydantic import Field, create_model

from api.resources import Resource
from fleetdb.records.documents import Part
from fleetdb.records.fields import Name, Time
from fleetdb.store.queries import DocumentFilter

# No `from __future__ import annotations` here: FastAPI must see the model made for each kind.
_FILTERS: dict[str, tuple[Any, str]] = {
    "vehicle": (Name, "Only of this vehicle."),
    "pump_family": (Name, "Only of this pump family."),
    "depot": (Name, "Only of this depot."),
    "workshop": (Name, "Only of this workshop."),
    "kit": (Name, "Only of this kit."),
    "part": (Part, "Only of this part."),
    "from_time": (Time, "Only what happened at or after this RFC 3339 time."),
    "until_time": (Time, "Only what happened before this RFC 3339 time."),
}


def filter_of(resource: Resource) -> Callable[..., DocumentFilter]:
    """Return the dependency that reads the filters of one kind's list."""
    wanted: dict[str, Any] = {
        name: (_FILTERS[name][0] | None, Field(None, description=_FILTERS[name][1]))
        for name in resource.filters
    }
    model = create_model(f"{resource.kind.model.__name__}Filter", **wanted)

    def dependency(query: Annotated[model, Query()]) -> DocumentFilter:  # pyright: ignore[reportInvalidTypeForm]
        return DocumentFilter(**query.model_dump())

    return dependency
