"""Who is signed in to the pages.

Revision: 0004
Follows: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "page_sessions",
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("session_sha256", sa.String(length=64), nullable=False),
        sa.Column("token_id", ROW_ID, nullable=False),
        sa.Column("fleet_id", ROW_ID, nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["token_id"], ["access_tokens.id"], name=op.f("fk_page_sessions_token_id")
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id"], ["fleets.id"], name=op.f("fk_page_sessions_fleet_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_page_sessions")),
        sa.UniqueConstraint("session_sha256", name=op.f("uq_page_sessions_session_sha256")),
    )
    op.create_index(op.f("ix_page_sessions_expires_at"), "page_sessions", ["expires_at"])
