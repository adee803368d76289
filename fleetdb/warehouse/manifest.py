"""The mirror's manifest: the one file that says which others count."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from fleetdb.errors import FleetDbError, InvalidInputError
from fleetdb.store.feed import Mark
from fleetdb.trend_settings import TrendSettings
from fleetdb.warehouse.durable import write_text

MANIFEST_NAME = "manifest.json"
FORMAT = 1


class UnusableManifestError(FleetDbError):
    """Raised when a manifest is damaged or of another version; a rebuild makes a new one."""


@dataclass(frozen=True, slots=True)
class Part:
    """One Parquet file of a table: never edited, only replaced by others.

    ``group`` is a bucket of vehicles ("b00" to "b31"), "fresh" for records not yet
    put into buckets, or "all" for the small tables. ``path`` is relative to the
    mirror's folder.
    """

    path: str
    table: str
    group: str
    rows: int
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """A file no longer counted, kept a while for readers that began before."""

    path: str
    dropped_at: float


@dataclass(frozen=True, slots=True)
class Manifest:
    """Which files make up the mirror, of which schemas, and how far it has read the feed.

    ``settings`` are the fleet's own at that moment.
    """

    mark: Mark
    schema: str
    mirrored_at: str
    parts: tuple[Part, ...]
    dropped: tuple[Dropped, ...]
    settings: TrendSettings = field(default_factory=TrendSettings)

    def parts_of(self, table: str) -> list[Part]:
        """Return the files of one table."""
        return [part for part in self.parts if part.table == table]

    @property
    def rows(self) -> dict[str, int]:
        """Number of rows per table."""
        rows: dict[str, int] = {}
        for part in self.parts:
            rows[part.table] = rows.get(part.table, 0) + part.rows
        return rows

    def write(self, folder: Path) -> None:
        """Put this manifest in the place of the last one, in one step."""
        text = json.dumps(
            {
                "format": FORMAT,
                "schema": self.schema,
                "mirrored_at": self.mirrored_at,
                "rows": self.rows,
                "mark": self.mark.to_json(),
                "parts": [asdict(part) for part in self.parts],
                "dropped": [asdict(entry) for entry in self.dropped],
                "settings": asdict(self.settings),
            },
            indent=1,
        )
        write_text(folder / MANIFEST_NAME, text)


def read_manifest(folder: Path) -> Manifest | None:
    """Return the manifest of a mirror's folder, or None when there is no mirror yet.

    Raises
    ------
    UnusableManifestError
        It cannot be read, or another version of the program wrote it.
    """
    path = folder / MANIFEST_NAME
    try:
        values: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise UnusableManifestError(f"{path} cannot be read: {error}") from error
    try:
        if values["format"] != FORMAT:
            raise UnusableManifestError(f"{path} is of format {values['format']}, not {FORMAT}")
        return Manifest(
            mark=Mark.from_json(values["mark"]),
            schema=values["schema"],
            mirrored_at=values["mirrored_at"],
            parts=tuple(Part(**part) for part in values["parts"]),
            dropped=tuple(Dropped(**entry) for entry in values["dropped"]),
            # One written before fleets had settings has none, and its fleet set none.
            settings=TrendSettings(**values.get("settings", {})),
        )
    except (KeyError, TypeError, InvalidInputError) as error:
        raise UnusableManifestError(f"{path} is damaged: {error!r}") from error
