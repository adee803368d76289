"""Write a new migration from what the models have that the migrations have not.

    python -m migrations "what changes"

It starts from an empty SQLite file brought to the newest schema. Read what it wrote.
"""

import sys
import tempfile
from pathlib import Path

from alembic import command

from fleetdb.settings import Settings
from fleetdb.store import migrate
from fleetdb.store.connecting import connect


def main(message: str) -> None:
    """Write the next migration file, numbered after the last."""
    with tempfile.TemporaryDirectory() as home:
        settings = Settings.from_environment({"FLEETDB_HOME": home})
        _, head = migrate.upgrade(settings)
        engine = connect(settings)
        with engine.begin() as connection:
            config = migrate.alembic_config(Path(__file__).parent)
            config.attributes["connection"] = connection
            number = f"{int(head) + 1:04}"
            command.revision(config, message=message, autogenerate=True, rev_id=number)
        engine.dispose()


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
