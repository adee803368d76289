"""Pressure traces and their figures; what a pump family must say for its elements to be told.

Revision: 0002
Follows: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "traces",
        sa.Column("trace_id", sa.Uuid(), nullable=False),
        sa.Column("test_record_id", ROW_ID, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("inlet_valve_unplugged", sa.Boolean(), nullable=True),
        sa.Column("media_type", sa.String(length=60), nullable=False),
        sa.Column("original_zstd", sa.LargeBinary(), nullable=False),
        sa.Column("original_size_bytes", ROW_ID, nullable=False),
        sa.Column("original_sha256", sa.String(length=64), nullable=False),
        sa.Column("n_samples", ROW_ID, nullable=False),
        sa.Column("rate_hz", sa.Double(), nullable=False),
        sa.Column("posted_by_token_id", ROW_ID, nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_traces_fleet_id")),
        sa.ForeignKeyConstraint(
            ["posted_by_token_id"], ["access_tokens.id"], name=op.f("fk_traces_posted_by_token_id")
        ),
        sa.ForeignKeyConstraint(
            ["test_record_id"], ["test_records.id"], name=op.f("fk_traces_test_record_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_traces")),
        sa.UniqueConstraint("fleet_id", "trace_id", name=op.f("uq_traces_fleet_id_trace_id")),
    )
    op.create_index(op.f("ix_traces_test_record_id"), "traces", ["test_record_id"])

    op.create_table(
        "trace_figures",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("trace_row_id", ROW_ID, nullable=False),
        sa.Column("method", ROW_ID, nullable=False),
        sa.Column("computed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        sa.Column("remarks", sa.JSON(), nullable=False),
        sa.Column("proof_duty_pct", sa.Double(), nullable=True),
        sa.Column("proof_target_bar", sa.Double(), nullable=True),
        sa.Column("proof_actual_bar", sa.Double(), nullable=True),
        sa.Column("proof_sd_bar", sa.Double(), nullable=True),
        sa.Column("build_rate_bar_per_s", sa.Double(), nullable=True),
        sa.Column("build_sd_bar_per_s", sa.Double(), nullable=True),
        sa.Column("build_from_bar", sa.Double(), nullable=True),
        sa.Column("build_to_bar", sa.Double(), nullable=True),
        sa.Column("fuel_temp_c", sa.Double(), nullable=True),
        sa.Column("crank_rpm", sa.Double(), nullable=True),
        sa.Column("hold_leak_ml_per_min", sa.Double(), nullable=True),
        sa.Column("hold_leak_sd_ml_per_min", sa.Double(), nullable=True),
        sa.Column("strokes_told_apart", sa.Boolean(), nullable=True),
        sa.Column("weak_element", ROW_ID, nullable=True),
        sa.Column("weak_element_share", sa.Double(), nullable=True),
        sa.Column("regulator_departure_share", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_trace_figures_fleet_id")
        ),
        sa.ForeignKeyConstraint(
            ["trace_row_id"], ["traces.id"], name=op.f("fk_trace_figures_trace_row_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trace_figures")),
    )
    op.create_index(op.f("ix_trace_figures_trace_row_id"), "trace_figures", ["trace_row_id"])

    op.create_table(
        "trace_receipts",
        sa.Column("trace_row_id", ROW_ID, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["trace_row_id"], ["traces.id"], name=op.f("fk_trace_receipts_trace_row_id")
        ),
        sa.PrimaryKeyConstraint("trace_row_id", name=op.f("pk_trace_receipts")),
    )
    with op.batch_alter_table("pump_family_versions", schema=None) as batch_op:
        batch_op.add_column(sa.Column("pump_strokes_per_engine_rev", sa.Double(), nullable=True))
        batch_op.add_column(sa.Column("pumping_elements", ROW_ID, nullable=True))

    with op.batch_alter_table("test_records", schema=None) as batch_op:
        batch_op.add_column(sa.Column("traces_follow", sa.Boolean(), nullable=True))
