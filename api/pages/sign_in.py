"""Signing in with a token, changing the fleet, signing out."""

from __future__ import annotations

import secrets

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from api.calls import ServicesDep
from api.pages.rendering import HEADERS, page
from api.pages.routing import page_router
from api.pages.visits import (
    AnyVisit,
    FormFields,
    cookie,
    cookie_name,
    form_key_of,
    is_secure,
    local_address,
    require_form_key,
    set_cookie,
)
from fleetdb.errors import NotFoundError
from fleetdb.store.page_sessions import begin_session, end_session, move_session

router = page_router()

# Before there is a session the form's key hangs on a cookie of its own.
_VISITOR = "visitor"


@router.get("/sign-in")
def get_sign_in(request: Request, services: ServicesDep, next: str = "/") -> Response:
    """Show the sign-in form; ``next`` is where it leads."""
    return _form(request, services, next, None)


@router.post("/sign-in")
def post_sign_in(request: Request, services: ServicesDep, form: FormFields) -> Response:
    """Exchange a token for a session."""
    require_form_key(form, cookie(request, services.settings, _VISITOR))
    address = local_address(form.get("next", "/"))
    old = cookie(request, services.settings, "session")
    with services.store.write() as session:
        secret = begin_session(session, form.get("token", ""))
        if secret is not None and old is not None:
            end_session(session, old)
    if secret is None:
        told = "This token is unknown, revoked or past its end."
        return _form(request, services, address, told)
    response = RedirectResponse(address, 303, HEADERS)
    set_cookie(response, request, services.settings, "session", secret)
    return response


def _form(request: Request, services: ServicesDep, address: str, told: str | None) -> Response:
    visitor = cookie(request, services.settings, _VISITOR) or secrets.token_urlsafe(32)
    context = {
        "title": "Sign in",
        "next": local_address(address),
        "form_key": form_key_of(visitor),
        "told": told,
    }
    response = page("sign_in.html", context, 200 if told is None else 403)
    set_cookie(response, request, services.settings, _VISITOR, visitor)
    return response


@router.post("/sign-out")
def post_sign_out(request: Request, visit: AnyVisit, form: FormFields) -> Response:
    """End the session, here and in the store."""
    require_form_key(form, visit.secret)
    with visit.call.store.write() as session:
        end_session(session, visit.secret)
    response = RedirectResponse("/sign-in", 303, HEADERS)
    secure = is_secure(request, visit.call.settings)
    response.delete_cookie(
        cookie_name("session", secure), path="/", secure=secure, httponly=True, samesite="lax"
    )
    return response


@router.post("/fleet")
def post_fleet(request: Request, visit: AnyVisit, form: FormFields) -> Response:
    """Go to another fleet that the token serves."""
    require_form_key(form, visit.secret)
    fleet = form.get("fleet", "")
    if fleet not in visit.call.caller.fleets:
        raise NotFoundError("fleet", fleet)
    with visit.call.store.write() as session:
        secret = move_session(session, visit.secret, visit.call.caller.fleets[fleet])
    response = RedirectResponse("/", 303, HEADERS)
    set_cookie(response, request, visit.call.settings, "session", secret)
    return response
