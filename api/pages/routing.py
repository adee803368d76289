"""Routes of pages: whatever goes wrong is told on a page, in plain words."""

from __future__ import annotations

import logging
import uuid
from collections.abc import Callable, Coroutine
from http import HTTPStatus
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import RedirectResponse, Response
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException

from api.errors import answer_http, problem_of, shape_of
from api.pages.rendering import HEADERS, page
from api.pages.visits import NotSignedInError, sign_in_address

_log = logging.getLogger(__name__)


class PageRoute(APIRoute):
    """A route that answers errors with a page, and sends those not signed in to sign in."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handler = super().get_route_handler()

        async def answer(request: Request) -> Response:
            try:
                return await handler(request)
            except NotSignedInError as error:
                return RedirectResponse(sign_in_address(error.address), 303, HEADERS)
            except Exception as error:
                return _error_page(request, error)

        return answer


def page_router() -> APIRouter:
    """Return a router of pages, which are not part of the API's description."""
    return APIRouter(route_class=PageRoute, include_in_schema=False)


def _error_page(request: Request, error: Exception) -> Response:
    shape = shape_of(error)
    reference = None
    if shape.status >= 500:
        reference = str(uuid.uuid4())
        path = request.url.path
        _log.error("%s %s failed: %s", request.method, path, reference, exc_info=error)
    problem = problem_of(error, "")
    details = [entry["detail"] for entry in problem.get("errors", ())] or [problem["detail"]]
    if shape.status == 500:
        details = ["The page could not be made. The server's log has the cause."]
    context = {"title": shape.title, "details": details, "reference": reference}
    return page("error.html", context, shape.status)


async def _answer_http(request: Request, error: Exception) -> Response:
    """Tell a browser that there is no such page on a page, and programs as everywhere."""
    wants_page = "text/html" in request.headers.get("accept", "")
    if not wants_page or not isinstance(error, HTTPException):
        return await answer_http(request, error)
    title = HTTPStatus(error.status_code).phrase
    details = ["There is no page at this address."]
    context = {"title": title, "details": details, "reference": None}
    return page("error.html", context, error.status_code)


def install_missing_page(app: FastAPI) -> None:
    """Answer browsers that ask for what is not there with a page."""
    app.add_exception_handler(HTTPException, _answer_http)
