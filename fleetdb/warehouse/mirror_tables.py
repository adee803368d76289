"""What the mirror holds: the trend's tables by row of the truth, and what is withdrawn."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import pyarrow as pa

from fleetdb.records.trend_schemas import TREND_SCHEMAS


@dataclass(frozen=True)
class MirrorTable:
    """One table of the mirror.

    ``followed_as`` names the rows of the feed that add to it; ``sort_by`` is the
    order within a file, chosen so that one vehicle's rows lie together.
    """

    name: str
    followed_as: str
    schema: pa.Schema
    sort_by: tuple[str, ...]


def _with_row_id(schema: pa.Schema) -> pa.Schema:
    return pa.schema([pa.field("row_id", pa.int64()), *schema])


_WITHDRAWN = pa.schema([("row_id", pa.int64()), ("record_id", pa.string())])
# The row of the document withdrawn.
_VOIDED = pa.schema([("row_id", pa.int64())])

MIRROR_TABLES: dict[str, MirrorTable] = {
    table.name: table
    for table in (
        MirrorTable(
            "test_records",
            "test_records",
            _with_row_id(TREND_SCHEMAS["test_records"]),
            ("vehicle", "performed_at", "row_id"),
        ),
        # row_id is the correcting record's row, record_id the corrected one.
        MirrorTable("superseded_records", "test_records", _WITHDRAWN, ("row_id",)),
        MirrorTable("voided_records", "record_voids", _WITHDRAWN, ("row_id",)),
        MirrorTable(
            "fitments",
            "fitments",
            _with_row_id(TREND_SCHEMAS["fitments"]),
            ("vehicle", "fitted_at", "row_id"),
        ),
        # Every version; the view shows the one in force.
        MirrorTable(
            "vehicles", "vehicles", _with_row_id(TREND_SCHEMAS["vehicles"]), ("vehicle", "row_id")
        ),
        MirrorTable(
            "pump_families",
            "pump_families",
            _with_row_id(TREND_SCHEMAS["pump_families"]),
            ("pump_family", "row_id"),
        ),
        MirrorTable(
            "findings",
            "findings",
            _with_row_id(TREND_SCHEMAS["findings"]),
            ("vehicle", "found_at", "row_id"),
        ),
        MirrorTable(
            "kit_calibrations",
            "kit_calibrations",
            _with_row_id(TREND_SCHEMAS["kit_calibrations"]),
            ("kit", "calibrated_at", "row_id"),
        ),
        MirrorTable("voided_fitments", "fitment_voids", _VOIDED, ("row_id",)),
        MirrorTable("voided_findings", "finding_voids", _VOIDED, ("row_id",)),
        MirrorTable("voided_kit_calibrations", "kit_calibration_voids", _VOIDED, ("row_id",)),
        # Every version of the figures; the view shows the newest of each trace.
        MirrorTable(
            "trace_figures",
            "trace_figures",
            _with_row_id(TREND_SCHEMAS["trace_figures"]),
            ("vehicle", "record_id", "row_id"),
        ),
    )
}


def schema_digest() -> str:
    """Return a short digest of every schema, so that a mirror of older ones is rebuilt."""
    described = "\n".join(f"{table.name} {table.schema}" for table in MIRROR_TABLES.values())
    return hashlib.sha256(described.encode()).hexdigest()[:16]
