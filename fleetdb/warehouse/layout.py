"""Where the warehouse keeps its files, one folder per fleet.

::

    FLEETDB_HOME/warehouse/<fleet id>/
        mirror.lock  refresh.lock
        mirror/manifest.json          names every file that counts
        mirror/<table>/*.parquet
        snapshots/current             one line: the name of the newest snapshot
        snapshots/<name>/manifest.json, *.parquet
        learnt/*.json                 constants by digest; may be deleted at any time
"""

from __future__ import annotations

from pathlib import Path


def fleet_folder(home: Path, fleet_id: int) -> Path:
    """Return the warehouse folder of one fleet."""
    return home / "warehouse" / str(fleet_id)


def mirror_folder(home: Path, fleet_id: int) -> Path:
    """Return the folder of the mirror's manifest and Parquet files."""
    return fleet_folder(home, fleet_id) / "mirror"


def snapshots_folder(home: Path, fleet_id: int) -> Path:
    """Return the folder of the published snapshots."""
    return fleet_folder(home, fleet_id) / "snapshots"


def learnt_folder(home: Path, fleet_id: int) -> Path:
    """Return the folder of what the trend learnt before."""
    return fleet_folder(home, fleet_id) / "learnt"


def mirror_lock(home: Path, fleet_id: int) -> Path:
    """Return the lock file of whoever writes the mirror."""
    return fleet_folder(home, fleet_id) / "mirror.lock"


def refresh_lock(home: Path, fleet_id: int) -> Path:
    """Return the lock file of whoever assesses and publishes."""
    return fleet_folder(home, fleet_id) / "refresh.lock"
