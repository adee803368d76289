"""Who is calling, for which fleet, and whether the role allows it: the dependencies of routes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from anyio import CapacityLimiter
from fastapi import Depends, Header, Query, Request, Security
from fastapi.security import HTTPBearer
from fastapi.security.http import HTTPAuthorizationCredentials

from api.errors import ParameterError, UnauthorizedError
from api.metrics import Metrics
from api.refresher import Refresher
from fleetdb.errors import ForbiddenError, NotFoundError
from fleetdb.report.data_quality import DataQuality
from fleetdb.report.month_ago import MonthAgo
from fleetdb.report.published import PublishedVerdicts
from fleetdb.report.scorecards import Scorecards
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.tokens import Caller, Role, authenticate

_REALM = 'Bearer realm="fleetdb"'


MANAGERS = frozenset({Role.MANAGER, Role.ADMIN})
EVERYONE = frozenset(Role)
ADMINS = frozenset({Role.ADMIN})


@dataclass(frozen=True, slots=True)
class Services:
    """What the application opened when it started."""

    settings: Settings
    store: Store
    published: PublishedVerdicts
    scorecards: Scorecards
    month_ago: MonthAgo
    data_quality: DataQuality
    metrics: Metrics
    refresher: Refresher
    trace_workers: CapacityLimiter
    """How many traces are worked on at once; the others wait without holding up anything."""


@dataclass(frozen=True, slots=True)
class Call:
    """One authenticated request: the services it may use, who calls, and for which fleet."""

    services: Services
    caller: Caller
    fleet_id: int
    fleet: str

    @property
    def store(self) -> Store:
        return self.services.store

    @property
    def settings(self) -> Settings:
        return self.services.settings

    @property
    def actor(self) -> str:
        """How the audit trail names the caller."""
        return f"token {self.caller.token_id} ({self.caller.label})"

    @property
    def is_workshop(self) -> bool:
        return self.caller.role == Role.WORKSHOP


def services_of(request: Request) -> Services:
    """Return the application's services."""
    return request.app.state.services


ServicesDep = Annotated[Services, Depends(services_of)]

_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="bearer",
    description="A token made by `fleetdb token create` or `POST /v1/tokens`.",
)


def known_caller(
    services: ServicesDep,
    credentials: Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)],
) -> Caller:
    """Return who the bearer token belongs to."""
    if credentials is None:
        raise UnauthorizedError(
            "send the header Authorization: Bearer TOKEN, with a token made by "
            "`fleetdb token create`",
            _REALM,
        )
    with services.store.read() as session:
        caller = authenticate(session, credentials.credentials)
    if caller is None:
        raise UnauthorizedError(
            "the token is unknown, revoked or past its end", f'{_REALM}, error="invalid_token"'
        )
    return caller


CallerDep = Annotated[Caller, Depends(known_caller)]


def _choose_fleet(caller: Caller, in_header: str | None, in_query: str | None) -> tuple[int, str]:
    # A fleet that does not exist and one the token may not see get the same answer.
    named = in_query if in_query is not None else in_header
    if named is None and len(caller.fleets) == 1:
        ((name, fleet_id),) = caller.fleets.items()
        return fleet_id, name
    if named is None:
        names = ", ".join(sorted(caller.fleets))
        raise ParameterError(
            "fleet",
            f"this token serves several fleets: name one with the header Fleet or with ?fleet=, "
            f"of {names}",
        )
    if named not in caller.fleets:
        raise NotFoundError("fleet", named)
    return caller.fleets[named], named


def call_of(roles: frozenset[Role]) -> Callable[..., Call]:
    """Return the dependency that lets only ``roles`` through."""

    def dependency(
        services: ServicesDep,
        caller: CallerDep,
        fleet_header: Annotated[
            str | None,
            Header(alias="Fleet", description="The fleet meant, for a token of several."),
        ] = None,
        fleet: Annotated[
            str | None,
            Query(description="The fleet meant, for a token of several; rules over the header."),
        ] = None,
    ) -> Call:
        if caller.role not in roles:
            allowed = " or ".join(sorted(roles))
            raise ForbiddenError(f"this needs a token of role {allowed}, not {caller.role}")
        fleet_id, name = _choose_fleet(caller, fleet_header, fleet)
        return Call(services, caller, fleet_id, name)

    return dependency


AnyCall = Annotated[Call, Depends(call_of(EVERYONE))]
ManagerCall = Annotated[Call, Depends(call_of(MANAGERS))]
AdminCall = Annotated[Call, Depends(call_of(ADMINS))]
