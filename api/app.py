"""The application factory: everything is built here, and importing starts nothing."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version

from anyio import CapacityLimiter, to_thread
from fastapi import Depends, FastAPI

from api.calls import Services
from api.envelope import EnvelopeMiddleware
from api.errors import install_error_answers
from api.methods import MethodsMiddleware, RouteTable
from api.metrics import Metrics
from api.openapi import DocumentedApi
from api.pages import (
    action_list,
    planned_tests,
    record_test,
    sign_in,
    static_files,
    upload,
    vehicle,
    vehicle_events,
    workshop,
)
from api.pages import data_quality as data_quality_page
from api.pages import kits as kits_page
from api.pages import scorecard as scorecard_page
from api.pages.routing import install_missing_page
from api.parameters import require_known_parameters
from api.refresher import Refresher
from api.requests import TokenRequest, VehicleAmendment, VoidRequest
from api.resources import RESOURCES
from api.routes import (
    documents,
    kits,
    scorecard,
    service,
    test_records,
    tokens,
    traces,
    vehicles,
    verdicts,
    voids,
)
from api.slashes import SlashesMiddleware
from api.trace_shapes import TraceDocument
from fleetdb.report.data_quality import DataQuality
from fleetdb.report.month_ago import MonthAgo
from fleetdb.report.published import PublishedVerdicts
from fleetdb.report.scorecards import Scorecards
from fleetdb.settings import Settings
from fleetdb.store.engine import open_store

_DESCRIPTION = """
Keeps every high-pressure pump test of a fleet and says which pumps to act on.

Verdicts are advice; none declares a vehicle safe. Every error is an RFC 9457 problem
whose `errors` point at each bad field. Lists are paged by cursor.
"""
_TAGS = [
    {"name": "documents", "description": "What a fleet and its workshops send."},
    {"name": "traces", "description": "Pressure against time, and what it says."},
    {"name": "verdicts", "description": "What the service says of the fitted pumps."},
    {"name": "tokens", "description": "Bearer tokens, for administrators."},
    {"name": "service", "description": "For the operator."},
]


def create_app(settings: Settings, *, refreshing: bool = True) -> FastAPI:
    """Return the application for ``settings``; its store opens when it starts to serve.

    ``refreshing`` False leaves publishing verdicts to other processes
    (`fleetdb assess`, or another server).
    """
    routers = [
        documents.router,
        test_records.router,
        voids.router,
        traces.router,
        vehicles.router,
        verdicts.router,
        kits.router,
        scorecard.router,
        tokens.router,
        service.router,
    ]
    pages = [
        static_files.router,
        sign_in.router,
        action_list.router,
        planned_tests.router,
        kits_page.router,
        data_quality_page.router,
        scorecard_page.router,
        vehicle.router,
        vehicle_events.router,
        workshop.router,
        upload.router,
        record_test.router,
    ]
    table = RouteTable([*routers, *pages])
    metrics = Metrics()

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        store = await to_thread.run_sync(open_store, settings)
        published = PublishedVerdicts(settings.home)
        refresher = Refresher(store, settings, metrics)
        scorecards = Scorecards(settings.home)
        month_ago = MonthAgo(settings.home)
        data_quality = DataQuality(store, settings.home)
        app.state.services = Services(
            settings,
            store,
            published,
            scorecards,
            month_ago,
            data_quality,
            metrics,
            refresher,
            CapacityLimiter(os.cpu_count() or 1),
        )
        behind = (scorecards, month_ago, data_quality)
        for each in behind:
            each.start()
        if refreshing:
            refresher.start()
        try:
            yield
        finally:
            if refreshing:
                await to_thread.run_sync(refresher.stop)
            for each in behind:
                await to_thread.run_sync(each.stop)
            store.close()

    app = DocumentedApi(
        body_models=[
            *(resource.kind.model for resource in RESOURCES),
            VehicleAmendment,
            VoidRequest,
            TokenRequest,
            TraceDocument,
        ],
        title="fleetdb",
        version=version("fleetdb"),
        summary="Fleet-wide memory of high-pressure pump tests.",
        description=_DESCRIPTION.strip(),
        openapi_tags=_TAGS,
        lifespan=lifespan,
        # The interactive pages load scripts from other people's servers.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    install_error_answers(app)
    for router in routers:
        app.include_router(router, dependencies=[Depends(require_known_parameters)])
    install_missing_page(app)
    for router in pages:
        app.include_router(router)
    app.add_middleware(MethodsMiddleware, table=table)
    app.add_middleware(EnvelopeMiddleware, table=table, metrics=metrics)
    app.add_middleware(SlashesMiddleware)
    return app
