"""First tables, and the row that tells this database from every other.

Revision: 0001
Follows: None
"""

from datetime import UTC, datetime
from uuid import uuid4

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only for INTEGER PRIMARY KEY.
ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "access_tokens",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("label", sa.String(length=80), nullable=False),
        sa.Column("role", sa.String(length=10), nullable=False),
        sa.Column("workshop_name", sa.String(length=80), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_access_tokens")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_access_tokens_token_sha256")),
    )
    op.create_table(
        "fleets",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet", sa.String(length=80), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fleets")),
        sa.UniqueConstraint("fleet", name=op.f("uq_fleets_fleet")),
    )
    op.create_table(
        "installation",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("installation_id", sa.Uuid(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_installation")),
    )
    op.create_table(
        "audit_entries",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(length=120), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=40), nullable=False),
        sa.Column("subject_row_id", ROW_ID, nullable=True),
        sa.Column("detail", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("written_by", ROW_ID, server_default="0", nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_audit_entries_fleet_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entries")),
    )
    op.create_index("ix_audit_entries_fleet_id", "audit_entries", ["fleet_id", "id"])
    op.create_index("ix_audit_entries_written_by", "audit_entries", ["written_by"])
    op.create_table(
        "depots",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("first_named_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_depots_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_depots")),
        sa.UniqueConstraint("fleet_id", "name", name=op.f("uq_depots_fleet_id_name")),
    )
    op.create_table(
        "idempotency_keys",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("token_id", ROW_ID, nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("request_sha256", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_idempotency_keys_fleet_id")
        ),
        sa.ForeignKeyConstraint(
            ["token_id"], ["access_tokens.id"], name=op.f("fk_idempotency_keys_token_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_idempotency_keys")),
        sa.UniqueConstraint(
            "fleet_id", "token_id", "key", name=op.f("uq_idempotency_keys_fleet_id_token_id_key")
        ),
    )
    op.create_table(
        "kits",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("first_named_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_kits_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kits")),
        sa.UniqueConstraint("fleet_id", "name", name=op.f("uq_kits_fleet_id_name")),
    )
    op.create_table(
        "pump_family_versions",
        sa.Column("pump_family", sa.String(length=80), nullable=False),
        sa.Column("applies_from", sa.Date(), nullable=True),
        sa.Column("rail_max_bar", sa.Double(), nullable=False),
        sa.Column("proof_duty_pct", sa.Double(), nullable=False),
        sa.Column("proof_target_bar", sa.Double(), nullable=False),
        sa.Column("cylinders", ROW_ID, nullable=False),
        sa.Column("rail_volume_ml", sa.Double(), nullable=True),
        sa.Column("displacement_ml_per_engine_rev", sa.Double(), nullable=True),
        sa.Column("proof_ratio_limit", sa.Double(), nullable=False),
        sa.Column("leak_limit_ml_per_min", sa.Double(), nullable=True),
        sa.Column("reference_fuel_temp_c", sa.Double(), nullable=False),
        sa.Column("reference_crank_rpm", sa.Double(), nullable=False),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_pump_family_versions_fleet_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pump_family_versions")),
        sa.UniqueConstraint(
            "fleet_id",
            "pump_family",
            "applies_from",
            name=op.f("uq_pump_family_versions_fleet_id_pump_family_applies_from"),
        ),
    )
    op.create_index(
        "uq_pump_family_versions_first",
        "pump_family_versions",
        ["fleet_id", "pump_family"],
        unique=True,
        sqlite_where=sa.text("applies_from IS NULL"),
        postgresql_where=sa.text("applies_from IS NULL"),
    )
    op.create_table(
        "token_fleets",
        sa.Column("token_id", ROW_ID, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_token_fleets_fleet_id")),
        sa.ForeignKeyConstraint(
            ["token_id"], ["access_tokens.id"], name=op.f("fk_token_fleets_token_id")
        ),
        sa.PrimaryKeyConstraint("token_id", "fleet_id", name=op.f("pk_token_fleets")),
    )
    op.create_table(
        "token_revocations",
        sa.Column("token_id", ROW_ID, nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["token_id"], ["access_tokens.id"], name=op.f("fk_token_revocations_token_id")
        ),
        sa.PrimaryKeyConstraint("token_id", name=op.f("pk_token_revocations")),
    )
    op.create_table(
        "vehicles",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("vehicle", sa.String(length=80), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_vehicles_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vehicles")),
        sa.UniqueConstraint("fleet_id", "vehicle", name=op.f("uq_vehicles_fleet_id_vehicle")),
    )
    op.create_table(
        "workshops",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("first_named_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_workshops_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_workshops")),
        sa.UniqueConstraint("fleet_id", "name", name=op.f("uq_workshops_fleet_id_name")),
    )
    op.create_table(
        "findings",
        sa.Column("finding_id", sa.Uuid(), nullable=False),
        sa.Column("vehicle_id", ROW_ID, nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("found_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("odometer_km", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_findings_fleet_id")),
        sa.ForeignKeyConstraint(
            ["vehicle_id"], ["vehicles.id"], name=op.f("fk_findings_vehicle_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
        sa.UniqueConstraint("fleet_id", "finding_id", name=op.f("uq_findings_fleet_id_finding_id")),
    )
    op.create_index(op.f("ix_findings_vehicle_id"), "findings", ["vehicle_id"])
    op.create_table(
        "fitments",
        sa.Column("fitment_id", sa.Uuid(), nullable=False),
        sa.Column("vehicle_id", ROW_ID, nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("cylinder", ROW_ID, nullable=True),
        sa.Column("serial", sa.String(length=80), nullable=True),
        sa.Column("fitted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("odometer_km", sa.Double(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_fitments_fleet_id")),
        sa.ForeignKeyConstraint(
            ["vehicle_id"], ["vehicles.id"], name=op.f("fk_fitments_vehicle_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fitments")),
        sa.UniqueConstraint("fleet_id", "fitment_id", name=op.f("uq_fitments_fleet_id_fitment_id")),
    )
    op.create_index(op.f("ix_fitments_vehicle_id"), "fitments", ["vehicle_id"])
    op.create_table(
        "kit_calibrations",
        sa.Column("calibration_id", sa.Uuid(), nullable=False),
        sa.Column("kit_id", ROW_ID, nullable=False),
        sa.Column("calibrated_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_kit_calibrations_fleet_id")
        ),
        sa.ForeignKeyConstraint(["kit_id"], ["kits.id"], name=op.f("fk_kit_calibrations_kit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kit_calibrations")),
        sa.UniqueConstraint(
            "fleet_id", "calibration_id", name=op.f("uq_kit_calibrations_fleet_id_calibration_id")
        ),
    )
    op.create_table(
        "test_records",
        sa.Column("record_id", sa.Uuid(), nullable=False),
        sa.Column("vehicle_id", ROW_ID, nullable=False),
        sa.Column("performed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("odometer_km", sa.Double(), nullable=True),
        sa.Column("engine_hours", sa.Double(), nullable=True),
        sa.Column("workshop_id", ROW_ID, nullable=True),
        sa.Column("kit_id", ROW_ID, nullable=True),
        sa.Column("technician", sa.String(length=80), nullable=True),
        sa.Column("fuel_temp_c", sa.Double(), nullable=True),
        sa.Column("crank_rpm", sa.Double(), nullable=True),
        sa.Column("battery_v", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("supersedes", sa.Uuid(), nullable=True),
        sa.Column("posted_by_token_id", ROW_ID, nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_test_records_fleet_id")),
        sa.ForeignKeyConstraint(["kit_id"], ["kits.id"], name=op.f("fk_test_records_kit_id")),
        sa.ForeignKeyConstraint(
            ["posted_by_token_id"],
            ["access_tokens.id"],
            name=op.f("fk_test_records_posted_by_token_id"),
        ),
        sa.ForeignKeyConstraint(
            ["vehicle_id"], ["vehicles.id"], name=op.f("fk_test_records_vehicle_id")
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id"], ["workshops.id"], name=op.f("fk_test_records_workshop_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_test_records")),
        sa.UniqueConstraint(
            "fleet_id", "record_id", name=op.f("uq_test_records_fleet_id_record_id")
        ),
        sa.UniqueConstraint(
            "fleet_id", "supersedes", name=op.f("uq_test_records_fleet_id_supersedes")
        ),
    )
    op.create_index("ix_test_records_fleet_received", "test_records", ["fleet_id", "id"])
    op.create_index(
        "ix_test_records_vehicle_performed", "test_records", ["vehicle_id", "performed_at"]
    )
    op.create_index(op.f("ix_test_records_workshop_id"), "test_records", ["workshop_id"])
    op.create_table(
        "vehicle_versions",
        sa.Column("vehicle_id", ROW_ID, nullable=False),
        sa.Column("pump_family", sa.String(length=80), nullable=False),
        sa.Column("in_service_on", sa.Date(), nullable=False),
        sa.Column("depot_id", ROW_ID, nullable=True),
        sa.Column("vin", sa.String(length=80), nullable=True),
        sa.Column("registration", sa.String(length=80), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["depot_id"], ["depots.id"], name=op.f("fk_vehicle_versions_depot_id")
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_vehicle_versions_fleet_id")
        ),
        sa.ForeignKeyConstraint(
            ["vehicle_id"], ["vehicles.id"], name=op.f("fk_vehicle_versions_vehicle_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vehicle_versions")),
    )
    op.create_index(op.f("ix_vehicle_versions_vehicle_id"), "vehicle_versions", ["vehicle_id"])
    op.create_table(
        "build_readings",
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("rate_bar_per_s", sa.Double(), nullable=False),
        sa.Column("from_bar", sa.Double(), nullable=True),
        sa.Column("to_bar", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_build_readings_test_record_id")
        ),
        sa.PrimaryKeyConstraint("test_record_id", name=op.f("pk_build_readings")),
    )
    op.create_table(
        "leak_readings",
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("rail_bar", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_leak_readings_test_record_id")
        ),
        sa.PrimaryKeyConstraint("test_record_id", name=op.f("pk_leak_readings")),
    )
    op.create_table(
        "proof_readings",
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("duty_pct", sa.Double(), nullable=True),
        sa.Column("target_bar", sa.Double(), nullable=False),
        sa.Column("actual_bar", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_proof_readings_test_record_id")
        ),
        sa.PrimaryKeyConstraint("test_record_id", name=op.f("pk_proof_readings")),
    )
    op.create_table(
        "receipts",
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_receipts_test_record_id")
        ),
        sa.PrimaryKeyConstraint("test_record_id", name=op.f("pk_receipts")),
    )
    op.create_table(
        "record_remarks",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("pointer", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_record_remarks_test_record_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_record_remarks")),
    )
    op.create_index(op.f("ix_record_remarks_test_record_id"), "record_remarks", ["test_record_id"])
    op.create_table(
        "record_voids",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_record_voids_fleet_id")),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_record_voids_test_record_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_record_voids")),
        sa.UniqueConstraint("test_record_id", name=op.f("uq_record_voids_test_record_id")),
    )
    op.create_table(
        "cylinder_leak_readings",
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("cylinder", ROW_ID, autoincrement=False, nullable=False),
        sa.Column("ml", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_record_id"],
            ["leak_readings.test_record_id"],
            name=op.f("fk_cylinder_leak_readings_test_record_id"),
        ),
        sa.PrimaryKeyConstraint(
            "test_record_id", "cylinder", name=op.f("pk_cylinder_leak_readings")
        ),
    )

    installation = sa.table(
        "installation",
        sa.column("installation_id", sa.Uuid()),
        sa.column("created_at", sa.DateTime(timezone=True)),
    )
    now = datetime.now(UTC)
    if op.get_bind().dialect.name == "sqlite":
        now = now.replace(tzinfo=None)
    op.bulk_insert(installation, [{"installation_id": uuid4(), "created_at": now}])
