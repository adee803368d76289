"""Shapes of answers about traces, as the OpenAPI document tells them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from api.shapes import FiguresShape, RemarkShape, VerdictShape
from fleetdb.store.sent_traces import TraceEnvelope
from fleetdb.trace.model import TraceKind


class TraceDocument(TraceEnvelope):
    """A pressure trace as JSON; arrays are equally long, times rise.

    Other units go by name: rail_mpa or rail_psi in place of rail_bar, time_ms of time_s.
    """

    kind: TraceKind
    time_s: list[float] = Field(description="[s]", min_length=10, max_length=3_000_001)
    rail_bar: list[float] = Field(description="Rail pressure. [bar]")
    crank_rpm: list[float] | None = Field(None, description="Crank speed. [1/min]")
    duty_pct: list[float] | None = Field(
        None, description="Regulator duty; needed in a duty_sweep. [%]"
    )
    fuel_temp_c: list[float] | None = Field(None, description="Fuel temperature. [degC]")


class OriginalShape(BaseModel):
    """What was received, byte for byte."""

    media_type: str
    size_bytes: int
    sha256: str = Field(description="Of the bytes, in hexadecimal.")


class SourceShape(BaseModel):
    """Where a figure that was not sent by hand came from."""

    trace_id: str
    method: int


class TraceShape(BaseModel):
    """A stored trace: how it was sampled, and what it says."""

    trace_id: str
    record_id: str
    received_at: datetime
    kind: str = Field(description="proof, start_up, hold or duty_sweep.")
    inlet_valve_unplugged: bool | None = Field(
        description="Whether the inlet metering valve was unplugged; null: not said."
    )
    n_samples: int
    rate_hz: float = Field(description="Usual samples per second. [Hz]")
    original: OriginalShape
    method: int = Field(description="Version of the method that gave the figures.")
    computed_at: datetime
    figures: dict[str, Any] = Field(
        description="rest, plateau, build, settling, hold, sweep, ripple, conditions, signs. "
        "Each figure has value, sd (standard uncertainty) and unit, or null and the reason."
    )
    remarks: list[RemarkShape]


class TraceReceiptShape(TraceShape):
    """What a trace's sender is answered."""

    record_figures: FiguresShape = Field(
        description="The test record's figures, with what its traces add."
    )
    record_figures_from: dict[str, SourceShape] = Field(
        description="By figure: the trace it comes from. A figure sent by hand is not in it."
    )
    verdict: VerdictShape | None = Field(
        description="The pump's verdict with this trace in it; left out of minimal answers."
    )
    verdict_missing: str | None = Field(
        None, description="Why there is no verdict, when there is none."
    )
    cautions: list[str]


class EarlierFiguresShape(BaseModel):
    """What an earlier version of the method, or of the family's settings, made of a trace."""

    method: int
    computed_at: datetime
    figures: dict[str, Any]


class StoredTraceShape(TraceShape):
    """One trace, with everything that was ever made of it."""

    earlier_figures: list[EarlierFiguresShape] = Field(description="Newest first.")
    cautions: list[str]


class TraceListShape(BaseModel):
    """Every trace of a test record, in order of arrival; there are at most 100."""

    items: list[TraceShape]
    record_figures: FiguresShape
    record_figures_from: dict[str, SourceShape]
    cautions: list[str]
