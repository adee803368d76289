"""The picture of a stored trace, drawn from its original."""

from __future__ import annotations

from uuid import UUID

from fleetdb.store.engine import Store
from fleetdb.store.posters import Poster
from fleetdb.store.stored_traces import original_of, stored_trace
from fleetdb.store.trace_intake import own_record, settings_of
from fleetdb.store.trace_recomputing import trace_of
from fleetdb.trace.figures import figures_of


def stored_trace_svg(
    store: Store, fleet_id: int, record_id: UUID, trace_id: UUID, poster: Poster | None
) -> str:
    """Return the picture of a trace as an SVG document.

    What is marked in it is what the present version of the method reads the figures from.

    Raises
    ------
    NotFoundError
        There is no such trace, or it is not the poster's.
    """
    # Charts take a second to import; a server that draws none does without.
    from fleetdb.trace.picture import svg

    with store.read() as session:
        view = own_record(session, fleet_id, record_id, poster)
        trace = stored_trace(session, fleet_id, record_id, trace_id)
        settings = settings_of(session, fleet_id, view, trace.inlet_valve_unplugged)
        original = original_of(session, trace)
    samples = trace_of(original, trace)
    return svg(samples, figures_of(samples, settings), settings)
