"""Shapes of answers, as the OpenAPI document tells them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from fleetdb.records.documents import Kind
from fleetdb.records.plausibility import Remark
from fleetdb.report.json_values import json_value
from fleetdb.report.receipt import figures_json
from fleetdb.report.trace_receipt import record_traces_json
from fleetdb.store.queries import VehicleHistory
from fleetdb.store.stored_documents import RecordView, StoredDocument
from fleetdb.store.tokens import Caller, TokenStatus
from fleetdb.store.voids import VOIDABLE
from fleetdb.timestamps import format_rfc3339


class RemarkShape(BaseModel):
    """Something odd, but possible, that was noticed in a document."""

    code: str
    pointer: str = Field(description="RFC 6901 JSON Pointer into the document.")
    detail: str


class AcceptedShape(BaseModel):
    """A document is stored. Besides these, the kind's own id field tells its id."""

    model_config = ConfigDict(extra="allow")
    outcome: str = Field(description="accepted, or already_there when it had been stored before.")
    remarks: list[RemarkShape]


class FiguresShape(BaseModel):
    """What the readings come to, before any correction for conditions; null: not taken."""

    proof_ratio: float | None = Field(description="Pressure reached over target. [-]")
    build_rate_bar_per_s: float | None = Field(description="[bar/s]")
    leak_ml_per_min: float | None = Field(description="All cylinders measured. [ml/min]")
    leak_ml_per_min_by_cylinder: dict[str, float]


class VerdictShape(BaseModel):
    """What the service says of one fitted pump at one date. Advice; never "safe"."""

    model_config = ConfigDict(extra="allow")
    as_of: date
    vehicle: str
    pump_serial: str | None
    fitted_at: datetime | None
    state: str = Field(description="unproven, sound, watch, book_in or stand_down.")
    probability_below_limit: float | None = Field(
        description="Chance of falling below the limit within the horizon. [-]"
    )
    horizon_days: float | None
    limit_date_p10: date | None = Field(
        description="When the pump is below its limit with a chance of one in ten. Null where that "
        "is more than three years off; so are the two that follow. A sound pump that has even "
        "chances to last three years has none of the three."
    )
    limit_date_p50: date | None = Field(description="The same with even chances.")
    limit_date_p90: date | None = Field(description="The same with nine chances in ten.")
    proof_ratio: float | None
    proof_ratio_low: float | None
    proof_ratio_high: float | None
    delivery_reserve: float | None
    leading_cause: str | None
    reasons: str | None


class ReceiptShape(BaseModel):
    """What a test record's sender is answered."""

    record_id: str
    received_at: datetime
    figures: FiguresShape
    remarks: list[RemarkShape]
    verdict: VerdictShape | None = Field(
        description="The pump's verdict with this record in it; left out of minimal answers."
    )
    verdict_missing: str | None = Field(
        None, description="Why there is no verdict, when there is none."
    )
    cautions: list[str]


class VoidShape(BaseModel):
    """A document is withdrawn. Besides these, the kind's own id field tells its id."""

    model_config = ConfigDict(extra="allow")
    reason: str
    voided_at: datetime


class StoredShape(BaseModel):
    """A document as it was sent, with when it was received.

    One that can be withdrawn also has void_reason and voided_at; a test record also
    figures, remarks, superseded_by, traces, and figures_from: by figure, the trace it
    comes from.
    """

    model_config = ConfigDict(extra="allow")
    document: dict[str, Any]
    received_at: datetime


class DocumentPageShape(BaseModel):
    """One page of documents."""

    items: list[StoredShape]
    next_cursor: str | None = Field(description="Where the next page begins; null on the last.")


class EventShape(StoredShape):
    """Something that happened to a vehicle."""

    at: datetime
    kind: Kind


class PageShape(BaseModel):
    """One page of a list."""

    model_config = ConfigDict(extra="allow")
    items: list[dict[str, Any]]
    next_cursor: str | None = Field(description="Where the next page begins; null on the last.")


class VehicleVerdictShape(BaseModel):
    """The verdict on one vehicle's pump."""

    verdict: VerdictShape | None = Field(description="Null before the vehicle's first day.")
    cautions: list[str]


class HistoryShape(BaseModel):
    """Everything kept of one vehicle."""

    vehicle: str
    versions: list[StoredShape]
    events: list[EventShape]
    cautions: list[str]


class VerdictPageShape(BaseModel):
    """One page of the action list."""

    as_of: datetime
    snapshot: str = Field(description="The published snapshot that every page comes from.")
    to_act_on: int = Field(
        description="Pumps of the whole fleet to book in or stand down, whatever is asked for here."
    )
    expected_needless: float = Field(
        description="How many of those are expected not to be worn after all."
    )
    cautions: list[str]
    items: list[VerdictShape]
    next_cursor: str | None


class KitShape(BaseModel):
    """One kit (a gauge or adapter set): its use, and how it reads."""

    kit: str
    bias_pct: float | None = Field(
        description="What it adds to every pressure; negative reads low. Null: not known. [%]"
    )
    sd_bias_pct: float | None = Field(description="Standard deviation of that belief. [%]")
    probability_off: float | None = Field(
        description="Chance that it is off by more than 2.5 %. [-]"
    )
    reads_off: bool = Field(description="Likely enough off to be named.")
    off_since: datetime | None = Field(description="Its first test of those that read off.")
    n_tests: int = Field(description="Records that name it, withdrawn ones too.")
    n_tests_judged: int = Field(description="Those of them that say something of its bias.")
    last_test_at: datetime | None
    last_calibrated_at: datetime | None
    first_named_at: datetime
    verdicts_touched: int = Field(
        description="Fitted pumps tested with it in the last year, or since it began to read off "
        "if that was earlier."
    )


class KitPageShape(BaseModel):
    """One page of the kits."""

    as_of: datetime | None = Field(description="Null before verdicts were first published.")
    snapshot: str | None = Field(description="The published snapshot that says how they read.")
    items: list[KitShape]
    next_cursor: str | None


class UnderwayShape(BaseModel):
    """A scorecard that is being worked out."""

    from_: str = Field(alias="from")
    to: str
    status: str
    months_done: int = Field(description="0 while other scorecards are before it.")
    months: int


class QuartilesShape(BaseModel):
    """Lower quartile, median, upper quartile."""

    p25: float
    p50: float
    p75: float


class FailureCountsShape(BaseModel):
    """Pump failures on the road that some month end was early enough to call."""

    caught: int
    missed: int
    notice_days: QuartilesShape | None = Field(description="Of the first call before each. [d]")


class CallCountsShape(BaseModel):
    """Runs of month ends at book_in or stand_down, by what came of them."""

    right: int
    cause_found: int = Field(
        description="Of the right ones, those whose leading cause was the part found worn."
    )
    false: int
    open: int
    pump_years: float
    false_per_100_pump_years: float | None


class ReliabilityShape(BaseModel):
    """Month ends whose stated probability was in one tenth."""

    tenth: int = Field(description="0: below 0.1, to 9.")
    n: int
    stated: float
    observed: float


class CalibrationShape(BaseModel):
    """Probabilities of being below the limit within the horizon, against what came."""

    judged: int
    left_out: int = Field(description="Month ends without a later test to judge them by.")
    base_rate: float | None
    brier: float | None = Field(description="Mean square of stated less observed.")
    brier_of_base_rate: float | None
    reliability: list[ReliabilityShape]


class LimitDatesShape(BaseModel):
    """Intervals from limit_date_p10 to limit_date_p90, which should hold 80 %."""

    judged: int
    covered: int
    too_early: int = Field(description="The limit was reached before the interval.")
    too_late: int = Field(description="The limit was not reached within it.")
    share_covered: float | None


class ScorecardShape(BaseModel):
    """How well past month ends called it."""

    from_: str = Field(alias="from")
    to: str
    snapshot: str = Field(description="The newest snapshot when the replay began.")
    is_newest: bool = Field(description="False while one with newer records is worked out.")
    notice_counts_from_days: int
    notice_counts_to_days: int
    failures: FailureCountsShape
    calls: CallCountsShape
    by_pump_family: list[dict[str, Any]]
    by_leading_cause: list[dict[str, Any]]
    calibration: CalibrationShape
    limit_dates: LimitDatesShape


class TokenShape(BaseModel):
    """A bearer token, without its secret."""

    token_id: int
    label: str
    role: str
    workshop_name: str | None
    fleets: list[str]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


class NewTokenShape(TokenShape):
    """A bearer token just made; the secret is shown this once."""

    token: str | None = Field(description="The secret. Null in the answer to a retry.")


class TokenListShape(BaseModel):
    """Every token of a fleet."""

    items: list[TokenShape]


def remark_shape(remark: Remark) -> dict[str, str]:
    """Return a remark as JSON values."""
    return {"code": remark.code, "pointer": remark.pointer, "detail": remark.detail}


def token_shape(token: TokenStatus, caller: Caller) -> dict[str, Any]:
    """Return a token as JSON values, with those of its fleets that ``caller`` serves too."""
    return {
        "token_id": token.token_id,
        "label": token.label,
        "role": token.role.value,
        "workshop_name": token.workshop_name,
        "fleets": [fleet for fleet in token.fleets if fleet in caller.fleets],
        "created_at": format_rfc3339(token.created_at),
        "expires_at": token.expires_at and format_rfc3339(token.expires_at),
        "revoked_at": token.revoked_at and format_rfc3339(token.revoked_at),
    }


def verdict_shape(verdict: Mapping[str, Any]) -> dict[str, Any]:
    """Return a verdict as JSON values; times are UTC."""
    return {name: json_value(value) for name, value in verdict.items() if name != "rank"}


def stored_shape(stored: StoredDocument) -> dict[str, Any]:
    """Return a stored document as JSON values; fields that were not given are left out."""
    shape: dict[str, Any] = {
        "document": stored.document.model_dump(mode="json", exclude_none=True),
        "received_at": format_rfc3339(stored.received_at),
    }
    if isinstance(stored, RecordView):
        shape |= {
            "figures": figures_json(stored.figures),
            "remarks": [remark_shape(remark) for remark in stored.remarks],
            "superseded_by": stored.superseded_by and str(stored.superseded_by),
            **record_traces_json(stored),
        }
    if stored.kind in VOIDABLE:
        shape |= {
            "void_reason": stored.void_reason,
            "voided_at": stored.voided_at and format_rfc3339(stored.voided_at),
        }
    return shape


def history_shape(history: VehicleHistory) -> dict[str, Any]:
    """Return a vehicle's history as JSON values."""
    return {
        "vehicle": history.vehicle,
        "versions": [stored_shape(version) for version in history.versions],
        "events": [
            {"at": format_rfc3339(at), "kind": entry.kind.value, **stored_shape(entry)}
            for at, entry in history.events
        ],
    }
