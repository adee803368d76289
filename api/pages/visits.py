"""Who looks at a page: the session cookie, what it opens, and the key of its forms."""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qsl, urlencode

from fastapi import Depends, Request
from fastapi.responses import Response

from api.bodies import BODY_LIMIT_BYTES
from api.calls import EVERYONE, MANAGERS, Call, ServicesDep
from api.errors import BodyTooLargeError, MediaTypeError
from fleetdb.errors import ForbiddenError, InvalidInputError
from fleetdb.settings import Settings
from fleetdb.store.page_sessions import LASTS, signed_in
from fleetdb.store.tokens import Role

FORM_KEY = "form_key"
_FORM_TYPE = "application/x-www-form-urlencoded"
# One slash, then no other and no backslash, which browsers take for one: never another server.
_LOCAL = re.compile(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]*")


class NotSignedInError(Exception):
    """Raised when a page needs a session and there is none; ``address`` is where to return."""

    def __init__(self, address: str) -> None:
        self.address = address
        super().__init__("not signed in")


class ForgedFormError(ForbiddenError):
    """Raised when a form does not carry the key of the session it comes from."""

    def __init__(self) -> None:
        super().__init__(
            "the form did not come from this page, or the session has changed since it was "
            "shown; open the page again and send it once more"
        )


@dataclass(frozen=True, slots=True)
class Visit:
    """One request of someone signed in; ``secret`` is the session's."""

    call: Call
    secret: str
    path: str

    @property
    def form_key(self) -> str:
        return form_key_of(self.secret)

    @property
    def is_manager(self) -> bool:
        return self.call.caller.role in MANAGERS


def form_key_of(secret: str) -> str:
    """Return the key that forms shown to the holder of ``secret`` carry."""
    return hmac.new(secret.encode("utf-8", "replace"), b"forms", hashlib.sha256).hexdigest()


def local_address(address: str) -> str:
    """Return ``address`` if it is one of this server's, else that of the first page."""
    return address if _LOCAL.fullmatch(address) else "/"


def is_secure(request: Request, settings: Settings) -> bool:
    """Tell whether the browser reaches this server through TLS."""
    return settings.behind_tls or request.url.scheme == "https"


def cookie_name(name: str, secure: bool) -> str:
    # With this prefix a browser takes the cookie from this host alone, through TLS.
    return f"__Host-fleetdb_{name}" if secure else f"fleetdb_{name}"


def set_cookie(
    response: Response, request: Request, settings: Settings, name: str, value: str
) -> None:
    """Keep ``value`` in the browser for as long as a session lasts, out of reach of scripts."""
    secure = is_secure(request, settings)
    response.set_cookie(
        cookie_name(name, secure),
        value,
        max_age=int(LASTS.total_seconds()),
        path="/",
        secure=secure,
        httponly=True,
        samesite="lax",
    )


def cookie(request: Request, settings: Settings, name: str) -> str | None:
    return request.cookies.get(cookie_name(name, is_secure(request, settings)))


def address_of(request: Request) -> str:
    """Return the path and query of a request, as its sender wrote them."""
    path = request.scope.get("raw_path", request.url.path.encode()).decode("ascii", "replace")
    return f"{path}?{request.url.query}" if request.url.query else path


def visit_of(roles: frozenset[Role]) -> Callable[..., Visit]:
    """Return the dependency that lets only those signed in with one of ``roles`` through."""

    def dependency(request: Request, services: ServicesDep) -> Visit:
        secret = cookie(request, services.settings, "session")
        found = None
        if secret is not None:
            with services.store.read() as session:
                found = signed_in(session, secret)
        if secret is None or found is None:
            raise NotSignedInError(address_of(request) if request.method == "GET" else "/")
        if found.caller.role not in roles:
            raise ForbiddenError("this page is for those who manage the fleet")
        call = Call(services, found.caller, found.fleet_id, found.fleet)
        return Visit(call, secret, request.url.path)

    return dependency


AnyVisit = Annotated[Visit, Depends(visit_of(EVERYONE))]
ManagerVisit = Annotated[Visit, Depends(visit_of(MANAGERS))]


async def read_form(request: Request) -> dict[str, str]:
    """Return the fields of a form of ``BODY_LIMIT_BYTES`` at most; see ``read_fields``."""
    return await read_fields(request, BODY_LIMIT_BYTES, "shorten what was written")


async def read_fields(request: Request, limit_bytes: int, hint: str) -> dict[str, str]:
    """Return the fields of a form; of one given twice the last.

    Raises
    ------
    MediaTypeError
        It is no URL-encoded form.
    BodyTooLargeError
        It is longer than ``limit_bytes``; ``hint`` says what to do then.
    """
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != _FORM_TYPE:
        raise MediaTypeError(f"a form is sent as {_FORM_TYPE}")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > limit_bytes:
            raise BodyTooLargeError(limit_bytes, hint)
    try:
        fields = parse_qsl(
            body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=200
        )
    except ValueError:
        raise InvalidInputError.at("", "the form cannot be read") from None
    # Browsers end the lines of a text area with CR LF.
    return {name: value.replace("\r\n", "\n").strip() for name, value in fields}


FormFields = Annotated[dict[str, str], Depends(read_form)]


def require_form_key(form: dict[str, str], secret: str | None) -> None:
    """Let only forms through that this server showed to the holder of ``secret``.

    Raises
    ------
    ForgedFormError
        The key is missing or another's.
    """
    given = form.get(FORM_KEY, "").encode("utf-8", "replace")
    if secret is None or not hmac.compare_digest(given, form_key_of(secret).encode()):
        raise ForgedFormError


def sign_in_address(address: str) -> str:
    """Return the address of the sign-in page that leads back to ``address``."""
    return "/sign-in" if address == "/" else f"/sign-in?{urlencode({'next': address})}"
