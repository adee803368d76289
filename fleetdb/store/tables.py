"""Every table of the truth, as SQLAlchemy typed models.

Append only: rows are inserted, never changed or deleted. A correction is a new
test record that supersedes an old one; a withdrawal is a row in ``record_voids``
or its like of another kind;
a token's end is a row in ``token_revocations``. ``audit_entries`` has one row per
change, written in the same transaction, and is also the feed the mirror follows.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import (
    JSON,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column

from fleetdb.store.columns import Base, FleetId, NameText, RowId


class Installation(Base):
    """One row: which database this is, so that a mirror of another is not taken for its own."""

    __tablename__ = "installation"
    id: Mapped[RowId]
    installation_id: Mapped[UUID]
    created_at: Mapped[datetime]


class Fleet(Base):
    """A tenant. Every other row belongs to one fleet, and no query crosses fleets."""

    __tablename__ = "fleets"
    id: Mapped[RowId]
    fleet: Mapped[NameText] = mapped_column(unique=True)
    created_at: Mapped[datetime]


class _Named:
    """A thing registered under its name the first time a document mentions it."""

    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    name: Mapped[NameText]
    first_named_at: Mapped[datetime]


class Depot(_Named, Base):
    __tablename__ = "depots"
    __table_args__ = (UniqueConstraint("fleet_id", "name"),)


class Workshop(_Named, Base):
    __tablename__ = "workshops"
    __table_args__ = (UniqueConstraint("fleet_id", "name"),)


class Kit(_Named, Base):
    __tablename__ = "kits"
    __table_args__ = (UniqueConstraint("fleet_id", "name"),)


class _Received:
    """A stored document: whose it is, when it came, and the digest of its contents."""

    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    received_at: Mapped[datetime]
    digest: Mapped[str] = mapped_column(String(64))


class PumpFamilyVersion(_Received, Base):
    """Proof settings of a pump family from ``applies_from`` (None: from the beginning) on."""

    __tablename__ = "pump_family_versions"
    __table_args__ = (
        # NULLs are distinct in a unique constraint, so the first version is kept
        # unique by the second, partial index.
        UniqueConstraint("fleet_id", "pump_family", "applies_from"),
        Index(
            "uq_pump_family_versions_first",
            "fleet_id",
            "pump_family",
            unique=True,
            sqlite_where=text("applies_from IS NULL"),
            postgresql_where=text("applies_from IS NULL"),
        ),
    )
    pump_family: Mapped[NameText]
    applies_from: Mapped[date | None]
    rail_max_bar: Mapped[float]
    proof_duty_pct: Mapped[float]
    proof_target_bar: Mapped[float]
    cylinders: Mapped[int]
    rail_volume_ml: Mapped[float | None]
    displacement_ml_per_engine_rev: Mapped[float | None]
    pump_strokes_per_engine_rev: Mapped[float | None]
    pumping_elements: Mapped[int | None]
    proof_ratio_limit: Mapped[float]
    leak_limit_ml_per_min: Mapped[float | None]
    reference_fuel_temp_c: Mapped[float]
    reference_crank_rpm: Mapped[float]


class VehicleIdentity(Base):
    """A fleet number. What is known of the vehicle is in its versions, the last one ruling."""

    __tablename__ = "vehicles"
    __table_args__ = (UniqueConstraint("fleet_id", "vehicle"),)
    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    vehicle: Mapped[NameText]


class VehicleVersion(_Received, Base):
    """What a fleet said of one vehicle; an amendment (with its reason) adds a version."""

    __tablename__ = "vehicle_versions"
    vehicle_id: Mapped[int] = mapped_column(ForeignKey("vehicles.id"), index=True)
    pump_family: Mapped[NameText]
    in_service_on: Mapped[date]
    depot_id: Mapped[int | None] = mapped_column(ForeignKey("depots.id"))
    vin: Mapped[NameText | None]
    registration: Mapped[NameText | None]
    reason: Mapped[str | None]


class FitmentRow(_Received, Base):
    __tablename__ = "fitments"
    __table_args__ = (UniqueConstraint("fleet_id", "fitment_id"),)
    fitment_id: Mapped[UUID]
    vehicle_id: Mapped[int] = mapped_column(ForeignKey("vehicles.id"), index=True)
    part: Mapped[str] = mapped_column(String(20))
    cylinder: Mapped[int | None]
    serial: Mapped[NameText | None]
    fitted_at: Mapped[datetime]
    odometer_km: Mapped[float | None]
    reason: Mapped[str | None]


class TestRecordRow(_Received, Base):
    """One visit: identity and conditions. Its readings are in the three reading tables."""

    __test__ = False
    __tablename__ = "test_records"
    __table_args__ = (
        UniqueConstraint("fleet_id", "record_id"),
        # A record can be corrected once; a second correction supersedes the first one.
        UniqueConstraint("fleet_id", "supersedes"),
        Index("ix_test_records_vehicle_performed", "vehicle_id", "performed_at"),
        Index("ix_test_records_fleet_received", "fleet_id", "id"),
        # A workshop's newest records, of the many of a fleet.
        Index("ix_test_records_workshop_received", "workshop_id", "id"),
        Index("ix_test_records_posted_by_received", "posted_by_token_id", "id"),
    )
    record_id: Mapped[UUID]
    vehicle_id: Mapped[int] = mapped_column(ForeignKey("vehicles.id"))
    performed_at: Mapped[datetime]
    odometer_km: Mapped[float | None]
    engine_hours: Mapped[float | None]
    workshop_id: Mapped[int | None] = mapped_column(ForeignKey("workshops.id"))
    kit_id: Mapped[int | None] = mapped_column(ForeignKey("kits.id"))
    technician: Mapped[NameText | None]
    fuel_temp_c: Mapped[float | None]
    crank_rpm: Mapped[float | None]
    battery_v: Mapped[float | None]
    traces_follow: Mapped[bool | None]
    note: Mapped[str | None]
    supersedes: Mapped[UUID | None]
    posted_by_token_id: Mapped[int | None] = mapped_column(ForeignKey("access_tokens.id"))


class ProofReading(Base):
    __tablename__ = "proof_readings"
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), primary_key=True)
    duty_pct: Mapped[float | None]
    target_bar: Mapped[float]
    actual_bar: Mapped[float]


class BuildReading(Base):
    __tablename__ = "build_readings"
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), primary_key=True)
    rate_bar_per_s: Mapped[float]
    from_bar: Mapped[float | None]
    to_bar: Mapped[float | None]


class LeakReading(Base):
    __tablename__ = "leak_readings"
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), primary_key=True)
    duration_s: Mapped[float]
    rail_bar: Mapped[float | None]


class CylinderLeakReading(Base):
    __tablename__ = "cylinder_leak_readings"
    test_record_id: Mapped[int] = mapped_column(
        ForeignKey("leak_readings.test_record_id"), primary_key=True
    )
    cylinder: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    ml: Mapped[float]


class RecordRemark(Base):
    """Something odd, but possible, that was noticed when the record came in."""

    __tablename__ = "record_remarks"
    id: Mapped[RowId]
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), index=True)
    code: Mapped[str] = mapped_column(String(40))
    pointer: Mapped[str]
    detail: Mapped[str]


class _Void:
    """A document withdrawn, with the reason. The document stays."""

    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    reason: Mapped[str]
    voided_at: Mapped[datetime]


class RecordVoid(_Void, Base):
    __tablename__ = "record_voids"
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), unique=True)


class FitmentVoid(_Void, Base):
    __tablename__ = "fitment_voids"
    fitment_row_id: Mapped[int] = mapped_column(ForeignKey("fitments.id"), unique=True)


class FindingVoid(_Void, Base):
    __tablename__ = "finding_voids"
    finding_row_id: Mapped[int] = mapped_column(ForeignKey("findings.id"), unique=True)


class KitCalibrationVoid(_Void, Base):
    __tablename__ = "kit_calibration_voids"
    calibration_row_id: Mapped[int] = mapped_column(ForeignKey("kit_calibrations.id"), unique=True)


class Receipt(Base):
    """The answer a sender got, kept so that the same record again gets the same answer."""

    __tablename__ = "receipts"
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), primary_key=True)
    body: Mapped[str]


class TraceRow(_Received, Base):
    """A pressure trace of a test record: its original, compressed, and how it was sampled.

    ``digest`` is that of record, kind and samples, whatever file they came in;
    ``original_sha256`` that of the original's bytes. ``inlet_valve_unplugged`` is None where
    the sender did not say.
    """

    __tablename__ = "traces"
    __table_args__ = (UniqueConstraint("fleet_id", "trace_id"),)
    trace_id: Mapped[UUID]
    test_record_id: Mapped[int] = mapped_column(ForeignKey("test_records.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    inlet_valve_unplugged: Mapped[bool | None]
    media_type: Mapped[str] = mapped_column(String(60))
    original_zstd: Mapped[bytes] = mapped_column(LargeBinary)
    original_size_bytes: Mapped[int]
    original_sha256: Mapped[str] = mapped_column(String(64))
    n_samples: Mapped[int]
    rate_hz: Mapped[float]
    posted_by_token_id: Mapped[int | None] = mapped_column(ForeignKey("access_tokens.id"))


class TraceFiguresRow(Base):
    """What one version of the method makes of a trace; the newest row of a trace rules.

    ``figures`` holds everything, with uncertainties; the columns after ``remarks`` repeat
    what the trend reads, null where the trace does not say it or must not be used for it.
    """

    __tablename__ = "trace_figures"
    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    trace_row_id: Mapped[int] = mapped_column(ForeignKey("traces.id"), index=True)
    method: Mapped[int]
    computed_at: Mapped[datetime]
    figures: Mapped[dict[str, Any]] = mapped_column(JSON)
    remarks: Mapped[list[dict[str, str]]] = mapped_column(JSON)
    proof_duty_pct: Mapped[float | None]
    proof_target_bar: Mapped[float | None]
    proof_actual_bar: Mapped[float | None]
    proof_sd_bar: Mapped[float | None]
    build_rate_bar_per_s: Mapped[float | None]
    build_sd_bar_per_s: Mapped[float | None]
    build_from_bar: Mapped[float | None]
    build_to_bar: Mapped[float | None]
    fuel_temp_c: Mapped[float | None]
    crank_rpm: Mapped[float | None]
    hold_leak_ml_per_min: Mapped[float | None]
    hold_leak_sd_ml_per_min: Mapped[float | None]
    strokes_told_apart: Mapped[bool | None]
    weak_element: Mapped[int | None]
    weak_element_share: Mapped[float | None]
    regulator_departure_share: Mapped[float | None]


class TraceReceipt(Base):
    """The answer a trace's sender got, kept so that the same trace again gets the same answer."""

    __tablename__ = "trace_receipts"
    trace_row_id: Mapped[int] = mapped_column(ForeignKey("traces.id"), primary_key=True)
    body: Mapped[str]


class KitCalibrationRow(_Received, Base):
    __tablename__ = "kit_calibrations"
    __table_args__ = (UniqueConstraint("fleet_id", "calibration_id"),)
    calibration_id: Mapped[UUID]
    kit_id: Mapped[int] = mapped_column(ForeignKey("kits.id"))
    calibrated_at: Mapped[datetime]
    note: Mapped[str | None]


class FindingRow(_Received, Base):
    __tablename__ = "findings"
    __table_args__ = (UniqueConstraint("fleet_id", "finding_id"),)
    finding_id: Mapped[UUID]
    vehicle_id: Mapped[int] = mapped_column(ForeignKey("vehicles.id"), index=True)
    part: Mapped[str] = mapped_column(String(20))
    outcome: Mapped[str] = mapped_column(String(20))
    found_at: Mapped[datetime]
    odometer_km: Mapped[float | None]
    note: Mapped[str | None]


class AccessToken(Base):
    """A bearer token. Only its SHA-256 is kept; the token itself is shown once."""

    __tablename__ = "access_tokens"
    id: Mapped[RowId]
    token_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    label: Mapped[NameText]
    role: Mapped[str] = mapped_column(String(10))
    workshop_name: Mapped[NameText | None]
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]


class TokenFleet(Base):
    """A fleet an access token may act in."""

    __tablename__ = "token_fleets"
    token_id: Mapped[int] = mapped_column(ForeignKey("access_tokens.id"), primary_key=True)
    fleet_id: Mapped[int] = mapped_column(ForeignKey("fleets.id"), primary_key=True)


class TokenRevocation(Base):
    __tablename__ = "token_revocations"
    token_id: Mapped[int] = mapped_column(ForeignKey("access_tokens.id"), primary_key=True)
    revoked_at: Mapped[datetime]


class PageSession(Base):
    """Someone signed in to the pages. Bookkeeping, not truth: the row goes at sign-out."""

    __tablename__ = "page_sessions"
    id: Mapped[RowId]
    session_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    token_id: Mapped[int] = mapped_column(ForeignKey("access_tokens.id"))
    fleet_id: Mapped[FleetId]
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime] = mapped_column(index=True)


class IdempotencyKey(Base):
    """A request that carried an Idempotency-Key, and the answer it got."""

    __tablename__ = "idempotency_keys"
    __table_args__ = (UniqueConstraint("fleet_id", "token_id", "key"),)
    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    token_id: Mapped[int] = mapped_column(ForeignKey("access_tokens.id"))
    key: Mapped[str] = mapped_column(String(255))
    request_sha256: Mapped[str] = mapped_column(String(64))
    status: Mapped[int] = mapped_column(Integer)
    body: Mapped[str]
    created_at: Mapped[datetime]


class SentCount(Base):
    """How many documents were not stored on a day, and why (see ``sent_counts``). Bookkeeping."""

    __tablename__ = "sent_counts"
    fleet_id: Mapped[int] = mapped_column(ForeignKey("fleets.id"), primary_key=True)
    day: Mapped[date] = mapped_column(primary_key=True)
    workshop: Mapped[NameText] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(20), primary_key=True)
    code: Mapped[str] = mapped_column(String(20), primary_key=True)
    pointer: Mapped[str] = mapped_column(String(80), primary_key=True)
    n: Mapped[int]


class TrendSettingsRow(Base):
    """What a fleet set of how its pumps are judged (``trend_settings``); the newest counts."""

    __tablename__ = "trend_settings"
    id: Mapped[RowId]
    fleet_id: Mapped[FleetId]
    set_at: Mapped[datetime]
    horizon_days: Mapped[float]
    fuel_cold_c: Mapped[float]
    fuel_cold_mm2_per_s: Mapped[float]
    fuel_hot_c: Mapped[float]
    fuel_hot_mm2_per_s: Mapped[float]


class AuditEntry(Base):
    """Who changed what, when: one row per change, in the change's own transaction.

    ``written_by`` is PostgreSQL's transaction id (0 on SQLite, where one writer at a
    time makes ``id`` the commit order): with it a reader can tell which rows may still
    appear below ids it has already seen.
    """

    __tablename__ = "audit_entries"
    __table_args__ = (
        Index("ix_audit_entries_fleet_id", "fleet_id", "id"),
        Index("ix_audit_entries_written_by", "written_by"),
    )
    id: Mapped[RowId]
    fleet_id: Mapped[int | None] = mapped_column(ForeignKey("fleets.id"))
    at: Mapped[datetime]
    actor: Mapped[str] = mapped_column(String(120))
    action: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str] = mapped_column(String(40))
    subject_row_id: Mapped[int | None]
    detail: Mapped[dict[str, str] | None] = mapped_column(JSON(none_as_null=True))
    written_by: Mapped[int] = mapped_column(server_default="0")
