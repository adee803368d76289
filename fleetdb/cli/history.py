"""``fleetdb history``: everything that happened to one vehicle, in time order."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fleetdb.cautions import CAUTIONS
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.records.documents import Finding, Fitment, Vehicle
from fleetdb.store.queries import VehicleHistory, odometer_remark, vehicle_history
from fleetdb.store.stored_documents import RecordView, StoredDocument
from fleetdb.store.voids import VOIDABLE
from fleetdb.timestamps import format_rfc3339


@click.command()
@click.argument("vehicle")
@click.option(
    "--format",
    "output_format",
    type=click.Choice(["table", "json"]),
    default="table",
    show_default=True,
    help="json: one object with the vehicle and its events, documents as they were sent.",
)
@pass_invocation
def history(invocation: Invocation, vehicle: str, output_format: str) -> None:
    """Show what happened to VEHICLE: fitments, tests and findings in time order."""
    with invocation.open_fleet() as (store, fleet), store.read() as session:
        found = vehicle_history(session, fleet.id, vehicle)
        odd_distances = {
            entry.row_id: remark.detail
            for _, entry in found.events
            if isinstance(entry, RecordView)
            and (remark := odometer_remark(session, fleet.id, entry.document)) is not None
        }
    if output_format == "json":
        click.echo(json.dumps(_as_json(found), indent=2))
        return
    _print(found, odd_distances)


def _print(found: VehicleHistory, odd_distances: dict[int, str]) -> None:
    latest = found.versions[-1].document
    console = Console()
    if isinstance(latest, Vehicle):
        depot = f", depot {latest.depot}" if latest.depot else ""
        console.print(
            f"{found.vehicle}: pump family {latest.pump_family}{depot}, "
            f"in service on {latest.in_service_on}",
            markup=False,
        )
    table = Table("when (UTC)", "km", "what", "details", "remarks")
    for at, entry in found.events:
        what, details, remarks = _words(entry)
        if entry.voided_at is not None:
            remarks = "\n".join(filter(None, (f"void: {entry.void_reason}", remarks)))
        odd = odd_distances.get(entry.row_id) if isinstance(entry, RecordView) else None
        if odd is not None:
            remarks = "\n".join(filter(None, (remarks, odd)))
        odometer_km = getattr(entry.document, "odometer_km", None)
        table.add_row(
            f"{at:%Y-%m-%d %H:%M}",
            f"{odometer_km:,.0f}" if odometer_km is not None else "",
            what,
            escape(details),
            escape(remarks),
        )
    console.print(table)
    for caution in CAUTIONS:
        console.print(caution, highlight=False, markup=False)


def _words(entry: StoredDocument) -> tuple[str, str, str]:
    """Return what happened, its details, and what is to be said of it."""
    document = entry.document
    if isinstance(entry, RecordView):
        return "test", _figures(entry), _state_of(entry)
    if isinstance(document, Fitment):
        details = [document.part.value]
        if document.cylinder is not None:
            details.append(f"cylinder {document.cylinder}")
        if document.serial is not None:
            details.append(f"serial {document.serial}")
        return "fitted", ", ".join(details), document.reason or ""
    if isinstance(document, Finding):
        outcome = document.outcome.value.replace("_", " ")
        return "found", f"{document.part.value}: {outcome}", document.note or ""
    raise TypeError(f"{type(document).__name__} is no event of a vehicle")


def _figures(entry: RecordView) -> str:
    document, figures = entry.effective, entry.figures
    parts: list[str] = []
    if document.proof is not None and figures.raw_proof_ratio is not None:
        parts.append(
            f"proof {document.proof.actual_bar:.4g} of {document.proof.target_bar:g} bar "
            f"(ratio {figures.raw_proof_ratio:.2f})"
        )
    if figures.raw_build_rate_bar_per_s is not None:
        parts.append(f"build {figures.raw_build_rate_bar_per_s:.4g} bar/s")
    if figures.raw_leak_ml_per_min is not None:
        parts.append(f"leak {figures.raw_leak_ml_per_min:.1f} ml/min")
    conditions = document.conditions
    if conditions is not None and conditions.fuel_temp_c is not None:
        parts.append(f"fuel {conditions.fuel_temp_c:g} C")
    if conditions is not None and conditions.crank_rpm is not None:
        parts.append(f"crank {conditions.crank_rpm:g} 1/min")
    if entry.figure_sources:
        names = {"proof_ratio": "proof", "build_rate_bar_per_s": "build"}
        parts.append(" and ".join(names[name] for name in entry.figure_sources) + " by trace")
    return ", ".join(parts)


def _state_of(entry: RecordView) -> str:
    lines = [remark.detail for remark in entry.remarks]
    if entry.superseded_by is not None:
        lines.insert(0, f"superseded by {entry.superseded_by}")
    return "\n".join(lines)


def _as_json(found: VehicleHistory) -> dict[str, Any]:
    return {
        "vehicle": found.vehicle,
        "versions": [_document(entry) for entry in found.versions],
        "events": [_event(at, entry) for at, entry in found.events],
        "cautions": list(CAUTIONS),
    }


def _event(at: datetime, entry: StoredDocument) -> dict[str, Any]:
    event = {"at": format_rfc3339(at), "kind": entry.kind.value, "document": _document(entry)}
    if isinstance(entry, RecordView):
        figures = entry.figures
        event |= {
            "raw_proof_ratio": figures.raw_proof_ratio,
            "raw_build_rate_bar_per_s": figures.raw_build_rate_bar_per_s,
            "raw_leak_ml_per_min": figures.raw_leak_ml_per_min,
            "remarks": [remark.code for remark in entry.remarks],
            "superseded_by": str(entry.superseded_by) if entry.superseded_by else None,
        }
    if entry.kind in VOIDABLE:
        event["void_reason"] = entry.void_reason
    return event


def _document(entry: StoredDocument) -> dict[str, Any]:
    return entry.document.model_dump(mode="json", exclude_none=True)
