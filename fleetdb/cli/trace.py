"""``fleetdb trace``: the figures of one pressure trace, and its picture."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.console import Console

from fleetdb.cautions import CAUTIONS
from fleetdb.cli.invocation import Invocation, pass_invocation
from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind, PumpFamily
from fleetdb.records.parsing import parse_object
from fleetdb.report.trace_table import print_figures
from fleetdb.store.sent_traces import TraceEnvelope
from fleetdb.store.sources import recording_of
from fleetdb.store.trace_findings import settings_for
from fleetdb.trace.checks import LIMITS
from fleetdb.trace.figures import figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.reading import (
    JSON,
    MEDIA_TYPE_OF_SUFFIX,
    read_trace,
    trace_of_document,
)
from fleetdb.trace.settings import TraceSettings
from fleetdb.trace.unpacking import MOST_BYTES, unpacked

_COMPRESSED = (".gz", ".zst")


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--kind", type=click.Choice([k.value for k in TraceKind]), help="What was done.")
@click.option("--family", metavar="NAME", help="Pump family whose settings hold; or else:")
@click.option("--target-bar", type=click.FloatRange(min=1), help="Proof target. [bar]")
@click.option("--rail-max-bar", type=click.FloatRange(min=1), help="What the rail can hold. [bar]")
@click.option("--rail-volume-ml", type=click.FloatRange(min=0, min_open=True), help="[ml]")
@click.option("--reference-fuel-temp-c", type=float, default=40.0, show_default=True)
@click.option(
    "--strokes-per-engine-rev",
    type=click.FloatRange(min=0, min_open=True),
    help="Delivery strokes of the pump per turn of the engine.",
)
@click.option("--pumping-elements", type=click.IntRange(1, 24))
@click.option(
    "--inlet-valve-unplugged/--inlet-valve-connected",
    default=None,
    help="Whether the inlet metering valve was unplugged; connected, the control unit counteracts.",
)
@click.option(
    "--svg", "svg_out", type=click.Path(dir_okay=False, path_type=Path), help="Draw it there."
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
@pass_invocation
def trace(
    invocation: Invocation,
    file: Path,
    kind: str | None,
    family: str | None,
    target_bar: float | None,
    rail_max_bar: float | None,
    rail_volume_ml: float | None,
    reference_fuel_temp_c: float,
    strokes_per_engine_rev: float | None,
    pumping_elements: int | None,
    inlet_valve_unplugged: bool | None,
    svg_out: Path | None,
    as_json: bool,
) -> None:
    """Show what the pressure trace in FILE says. Nothing is stored.

    FILE is JSON, CSV, Parquet or Arrow by its name's ending, .gz or .zst after it allowed.
    The columns carry their units: time_s or time_ms; rail_bar, rail_mpa or rail_psi; and, if
    recorded, crank_rpm, duty_pct, fuel_temp_c. A name as `load` takes it,
    traces-RECORD_ID-KIND-unplugged.csv, says what was done and whether the inlet metering valve
    was unplugged.
    """
    named = recording_of(file)
    if named is not None:
        kind = kind or named.kind.value
        if inlet_valve_unplugged is None:
            inlet_valve_unplugged = named.inlet_valve_unplugged
    if family is not None:
        if target_bar is not None:
            raise click.UsageError("give --family or --target-bar, not both")
        settings = settings_for(_family(invocation, family), inlet_valve_unplugged)
    elif target_bar is not None:
        settings = TraceSettings(
            target_bar=target_bar,
            rail_max_bar=rail_max_bar or LIMITS["rail_bar"][1],
            reference_fuel_temp_c=reference_fuel_temp_c,
            rail_volume_ml=rail_volume_ml,
            strokes_per_engine_rev=strokes_per_engine_rev,
            pumping_elements=pumping_elements,
            inlet_valve_unplugged=inlet_valve_unplugged,
        )
    else:
        raise click.UsageError("say what to measure it by: --family NAME or --target-bar BAR")
    read = _read(file, TraceKind(kind) if kind is not None else None)
    read.require_within(settings.rail_max_bar)
    figures = figures_of(read, settings)
    if svg_out is not None:
        # Charts take a second to import; a table does not need them.
        from fleetdb.trace.picture import svg

        svg_out.write_text(svg(read, figures, settings), encoding="utf-8")
        click.echo(f"drew {svg_out}", err=True)
    if as_json:
        told = {"figures": figures.to_json(), "cautions": list(CAUTIONS)}
        click.echo(json.dumps(told, indent=1, allow_nan=False))
    else:
        print_figures(read, figures, settings, Console())


def _family(invocation: Invocation, name: str) -> PumpFamily:
    # Only a family's settings are in the store; a trace by itself does without its imports.
    from fleetdb.store.by_id import stored_document

    with invocation.open_fleet() as (store, fleet), store.read() as session:
        document = stored_document(session, fleet.id, Kind.PUMP_FAMILIES, name).document
    if not isinstance(document, PumpFamily):
        raise TypeError(f"{name} is no pump family")
    return document


def _read(file: Path, kind: TraceKind | None) -> Trace:
    suffixes = [suffix.lower() for suffix in file.suffixes]
    ending = next((s for s in reversed(suffixes) if s not in _COMPRESSED), "")
    media_type = MEDIA_TYPE_OF_SUFFIX.get(ending)
    if media_type is None:
        raise click.UsageError(f"{file.name} ends in none of {', '.join(MEDIA_TYPE_OF_SUFFIX)}")
    if file.stat().st_size > MOST_BYTES:
        raise InvalidInputError.at("", f"{file.name} is more than {MOST_BYTES >> 20} MiB")
    content = file.read_bytes()
    if kind is None and media_type != JSON:
        raise click.UsageError(f"--kind is needed: {file.name} cannot say what was done")
    if media_type != JSON:
        return read_trace(content, media_type, kind)
    # A document as it would be posted also says which record it is of.
    document = parse_object(unpacked(content))
    for name in TraceEnvelope.model_fields:
        document.pop(name, None)
    return trace_of_document(document, kind)
