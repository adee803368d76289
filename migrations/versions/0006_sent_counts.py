"""How many documents were refused or sent again.

Revision: 0006
Follows: 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "sent_counts",
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("workshop", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("pointer", sa.String(length=80), nullable=False),
        sa.Column("n", ROW_ID, nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleets.id"], name=op.f("fk_sent_counts_fleet_id")),
        sa.PrimaryKeyConstraint(
            "fleet_id",
            "day",
            "workshop",
            "kind",
            "code",
            "pointer",
            name=op.f("pk_sent_counts"),
        ),
    )
