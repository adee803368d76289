"""Receiving one test record: store it, then tell its sender how the pump stands."""

from __future__ import annotations

import json
import logging
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.figures import Figures
from fleetdb.records.plausibility import Remark
from fleetdb.report.json_values import json_value
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.ingest import accept
from fleetdb.store.queries import odometer_remark, record_view
from fleetdb.store.receipts import keep_receipt, kept_receipt
from fleetdb.store.stored_documents import RecordView
from fleetdb.timestamps import format_rfc3339
from fleetdb.trend.one_vehicle import current_verdict

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Received:
    """A test record that is stored, and the receipt for it (JSON values)."""

    already_there: bool
    receipt: dict[str, Any]


def receive_test_record(
    store: Store,
    settings: Settings,
    fleet_id: int,
    record: TestRecord,
    actor: str,
    token_id: int | None,
    *,
    with_verdict: bool = True,
) -> Received:
    """Store ``record`` and return its receipt.

    The record is committed before anything is worked out, so no failure after that
    loses it. A receipt with its verdict is kept: the same record again gets the same
    one. One without (``with_verdict`` False) is not kept, and does not wait for the trend.

    Raises
    ------
    InvalidInputError
        The record clashes with what the fleet has said before.
    SameIdOtherBodyError
        Its id is stored with other contents.
    """
    with store.write() as session:
        accepted = accept(session, fleet_id, Kind.TEST_RECORDS, record, actor, token_id)
    with store.read() as session:
        kept = kept_receipt(session, accepted.row_id)
        view = record_view(session, fleet_id, record.record_id)
        odd_distance = odometer_remark(session, fleet_id, record)
    if kept is not None:
        receipt = json.loads(kept)
        if not with_verdict:
            receipt = _without_verdict(receipt)
        return Received(accepted.already_there, receipt)
    remarks = [*view.remarks, odd_distance] if odd_distance is not None else view.remarks
    receipt = _receipt(view, remarks)
    if not with_verdict:
        return Received(accepted.already_there, receipt)
    verdict = receipt_verdict(
        store, settings, fleet_id, record.vehicle, f"record {record.record_id}"
    )
    if verdict is None:
        # Not kept: the same record again gets the verdict, when there is one.
        missing = "the verdict could not be worked out now; the record is stored"
        return Received(
            accepted.already_there, {**receipt, "verdict": None, "verdict_missing": missing}
        )
    text = json.dumps({**receipt, "verdict": verdict})
    with store.write() as session:
        text = keep_receipt(session, accepted.row_id, text)
    return Received(accepted.already_there, json.loads(text))


@dataclass(frozen=True, slots=True)
class StoredReceipt:
    """A stored test record, and the verdict its sender was told, None where none was kept."""

    view: RecordView
    verdict: dict[str, Any] | None


def stored_receipt(session: Session, fleet_id: int, record_id: UUID) -> StoredReceipt:
    """Return what is to be told of a test record that is stored.

    Raises
    ------
    NotFoundError
        The fleet has no such record.
    """
    view = record_view(session, fleet_id, record_id)
    kept = kept_receipt(session, view.row_id)
    return StoredReceipt(view, None if kept is None else json.loads(kept).get("verdict"))


def figures_json(figures: Figures) -> dict[str, Any]:
    """Return the figures of a record as JSON values, null where the reading was not taken.

    ``proof_ratio`` [-], ``build_rate_bar_per_s``, ``leak_ml_per_min`` of all cylinders
    measured and ``leak_ml_per_min_by_cylinder``: what the readings come to, before any
    correction for conditions.
    """
    by_cylinder = figures.raw_leak_ml_per_min_by_cylinder
    return {
        "proof_ratio": figures.raw_proof_ratio,
        "build_rate_bar_per_s": figures.raw_build_rate_bar_per_s,
        "leak_ml_per_min": figures.raw_leak_ml_per_min,
        "leak_ml_per_min_by_cylinder": {str(c): rate for c, rate in by_cylinder.items()},
    }


def _receipt(view: RecordView, remarks: list[Remark]) -> dict[str, Any]:
    return {
        "record_id": str(view.document.record_id),
        "received_at": format_rfc3339(view.received_at),
        "figures": figures_json(view.figures),
        "remarks": [{"code": r.code, "pointer": r.pointer, "detail": r.detail} for r in remarks],
        "cautions": list(CAUTIONS),
    }


def receipt_verdict(
    store: Store, settings: Settings, fleet_id: int, vehicle: str, receipt_of: str
) -> dict[str, Any] | None:
    """Return the verdict on a vehicle's pump for a receipt, None when it cannot be worked out."""
    try:
        verdict = current_verdict(store, settings, fleet_id, vehicle, datetime.now(UTC))
    except Exception:
        # The record is stored, and that is what its sender must hear: whatever is
        # wrong with the trend or the disk must not read as "not received".
        _log.exception("no verdict for the receipt of %s", receipt_of)
        return None
    return json_value(verdict)


def _without_verdict(receipt: dict[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in receipt.items() if k != "verdict"}
