"""Cursor paging: a page ends with a cursor that says where the next one begins."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, TypeVar
from urllib.parse import urlencode

from fastapi import Depends, Query, Request
from fastapi.responses import JSONResponse, Response

from api.errors import ParameterError
from fleetdb.timestamps import parse_rfc3339

PAGE_LIMIT = 1000
_NOT_OURS = "is not one that this service gave; start without a cursor"

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class VerdictMark:
    """The snapshot and the moment a list of verdicts began with, and the (rank, vehicle) reached.

    ``as_of`` is kept since "today" is another moment at every request.
    """

    snapshot: str
    as_of: datetime | None
    after: tuple[float, str]


@dataclass(frozen=True, slots=True)
class Paging:
    """The page asked for. ``after`` is the sort key that the page before it ended with."""

    path: str
    parameters: tuple[tuple[str, str], ...]
    limit: int
    after: list[Any] | None

    @property
    def rows_wanted(self) -> int:
        """One more than the page holds: it tells whether another page follows."""
        return self.limit + 1

    def after_row(self) -> int:
        """Return the row id that the page before ended with; 0 before the first."""
        match self.after:
            case None:
                return 0
            case [int(row_id)] if 0 <= row_id < 2**63:
                return row_id
        raise ParameterError("cursor", _NOT_OURS)

    def after_text(self) -> str | None:
        """Return the name that the page before ended with; None before the first."""
        match self.after:
            case None:
                return None
            case [str(name)] if name.isprintable():
                return name
        raise ParameterError("cursor", _NOT_OURS)

    def after_verdict(self) -> VerdictMark | None:
        """Return where the page before ended, and what its list began with; None before."""
        match self.after:
            case None:
                return None
            case [str(snapshot), None, float(rank), str(vehicle)]:
                return VerdictMark(snapshot, None, (rank, vehicle))
            case [str(snapshot), str(moment), float(rank), str(vehicle)]:
                return VerdictMark(snapshot, _past(moment), (rank, vehicle))
        raise ParameterError("cursor", _NOT_OURS)

    def answer(
        self,
        rows: Sequence[R],
        shape: Callable[[R], dict[str, Any]],
        key: Callable[[R], list[Any]],
        extra: dict[str, Any] | None = None,
    ) -> Response:
        """Answer with ``rows`` (up to ``rows_wanted``) as ``shape`` has them.

        ``key`` gives the sort key the next page begins after; ``extra`` is told besides.
        """
        headers = {}
        cursor = None
        page = rows[: self.limit]
        if len(rows) > self.limit:
            cursor = _encode(_mark_of(self.path, self.parameters), key(page[-1]))
            query = urlencode([*self.parameters, ("limit", str(self.limit)), ("cursor", cursor)])
            headers["Link"] = f'<{self.path}?{query}>; rel="next"'
        content = {**(extra or {}), "items": [shape(row) for row in page], "next_cursor": cursor}
        return JSONResponse(content, headers=headers)


def _past(text: str) -> datetime:
    try:
        moment = parse_rfc3339(text)
    except ValueError:
        raise ParameterError("cursor", _NOT_OURS) from None
    if moment > datetime.now(UTC):
        raise ParameterError("cursor", _NOT_OURS)
    return moment


def _mark_of(path: str, parameters: Sequence[tuple[str, str]]) -> str:
    return hashlib.sha256(json.dumps([path, sorted(parameters)]).encode()).hexdigest()[:12]


def _encode(mark: str, key: list[Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps([mark, key]).encode()).decode().rstrip("=")


def _decode(cursor: str, mark: str) -> list[Any]:
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        decoded = json.loads(base64.b64decode(padded, altchars=b"-_", validate=True))
    except (binascii.Error, ValueError, RecursionError):
        decoded = None
    match decoded:
        case [str(given), list(key)] if given == mark:
            return key
        case [str(), list()]:
            raise ParameterError("cursor", "belongs to a list with other filters or another order")
    raise ParameterError("cursor", _NOT_OURS)


def paging_of(
    request: Request,
    limit: Annotated[int, Query(ge=1, le=PAGE_LIMIT, description="Items on a page.")] = 100,
    cursor: Annotated[
        str | None, Query(description="`next_cursor` of the page before; absent for the first.")
    ] = None,
) -> Paging:
    """Return the page that the request asks for."""
    path = request.url.path
    parameters = tuple(
        (name, value)
        for name, value in request.query_params.multi_items()
        if name not in ("limit", "cursor")
    )
    after = None if cursor is None else _decode(cursor, _mark_of(path, parameters))
    return Paging(path, parameters, limit, after)


PagingDep = Annotated[Paging, Depends(paging_of)]
