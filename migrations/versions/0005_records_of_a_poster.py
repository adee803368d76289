"""Ways to a workshop's newest records.

Revision: 0005
Follows: 0004
"""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index("ix_test_records_workshop_id", table_name="test_records")
    op.create_index("ix_test_records_workshop_received", "test_records", ["workshop_id", "id"])
    op.create_index(
        "ix_test_records_posted_by_received", "test_records", ["posted_by_token_id", "id"]
    )
