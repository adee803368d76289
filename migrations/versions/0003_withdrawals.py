"""Withdrawals of fitments, findings and kit calibrations.

Revision: 0003
Follows: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
# Table of withdrawals, the column that names what is withdrawn, and the table of that.
VOIDS = (
    ("fitment_voids", "fitment_row_id", "fitments"),
    ("finding_voids", "finding_row_id", "findings"),
    ("kit_calibration_voids", "calibration_row_id", "kit_calibrations"),
)


def upgrade() -> None:
    for table, column, documents in VOIDS:
        op.create_table(
            table,
            sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
            sa.Column("fleet_id", ROW_ID, nullable=False),
            sa.Column("reason", sa.Text(), nullable=False),
            sa.Column("voided_at", sa.DateTime(timezone=True), nullable=False),
            sa.Column(column, ROW_ID, nullable=False),
            sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f(f"fk_{table}_fleet_id")),
            sa.ForeignKeyConstraint(
                [column], [f"{documents}.id"], name=op.f(f"fk_{table}_{column}")
            ),
            sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
            sa.UniqueConstraint(column, name=op.f(f"uq_{table}_{column}")),
        )
