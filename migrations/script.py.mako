"""${message}

Before this migration is committed:

- Read every line; autogenerate misses renames, data and partial indexes.
- Name every constraint (the convention in fleetdb/store/columns.py does it).
- Change an existing table only inside `op.batch_alter_table`, for SQLite's sake.
- Import nothing from fleetdb: models change, a migration must not.
- Records are append only: never delete or rewrite what a sender posted.
- A column goes one release after its last use; a new one is nullable or has a server default.
- Prefer indexes built before large loads; on PostgreSQL a long lock stops the workshops.

There is no downgrade: the way back is a backup.

Revision: ${up_revision}
Follows: ${down_revision}
"""

from alembic import op
import sqlalchemy as sa
${imports if imports else ""}

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    ${upgrades if upgrades else "pass"}

