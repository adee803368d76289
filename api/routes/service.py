"""For the operator: is the process up, can it answer, what has it done."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse, PlainTextResponse, Response

from api.calls import ServicesDep
from api.metrics import MEDIA_TYPE
from api.openapi import problems
from fleetdb.store.migrate import require_head

router = APIRouter(tags=["service"])


@router.get("/healthz", summary="Is the process alive")
def health() -> dict[str, str]:
    """Answer as soon as the process can answer anything; the store is not asked."""
    return {"status": "ok"}


@router.get("/readyz", summary="Can requests be served", responses=problems(503))
def readiness(services: ServicesDep) -> Response:
    """Ask the store, and tell how the last refresh of the verdicts went.

    A failed refresh does not make the server unready: it goes on answering from
    the last published snapshot.
    """
    require_head(services.store.engine)
    refresh = services.refresher.state.document()
    return JSONResponse({"status": "ready", "store": "ok", "refresh": refresh})


@router.get("/metrics", summary="Counters of this process", response_class=PlainTextResponse)
def metrics(services: ServicesDep) -> Response:
    """Tell what this process has done, in the Prometheus text format."""
    return PlainTextResponse(services.metrics.exposition(), media_type=MEDIA_TYPE)
