"""What a fleet sets of how its pumps are judged.

Revision: 0007
Follows: 0006
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "trend_settings",
        sa.Column("id", ROW_ID, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("set_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("horizon_days", sa.Double(), nullable=False),
        sa.Column("fuel_cold_c", sa.Double(), nullable=False),
        sa.Column("fuel_cold_mm2_per_s", sa.Double(), nullable=False),
        sa.Column("fuel_hot_c", sa.Double(), nullable=False),
        sa.Column("fuel_hot_mm2_per_s", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_trend_settings_fleet_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trend_settings")),
    )
