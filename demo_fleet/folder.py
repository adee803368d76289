"""The demo's folder: which fleet it holds, its documents, its truth and its own home."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from demo_fleet.generate import generate
from demo_fleet.options import FleetOptions
from demo_fleet.recordings import write_recordings
from fleetdb.errors import ConflictError


@dataclass(frozen=True)
class DemoFolder:
    """A folder of the demo's own; ``demo.json`` in it says which fleet it is for."""

    path: Path

    @property
    def documents(self) -> Path:
        """What is loaded: NDJSON files, and recordings of single tests."""
        return self.path / "documents"

    @property
    def truth(self) -> Path:
        """What really happened; never loaded."""
        return self.path / "truth"

    @property
    def home(self) -> Path:
        """FLEETDB_HOME of the demo."""
        return self.path / "home"

    @property
    def refused(self) -> Path:
        """Refused lines and the reasons."""
        return self.path / "refused.ndjson"

    def prepare(self, options: FleetOptions, progress: Callable[[int], None]) -> bool:
        """Make the documents and the truth unless they are there; return whether they were made.

        Raises
        ------
        ConflictError
            The folder holds another demo, or something else.
        """
        self._claim(options)
        if self.documents.exists():
            return False
        # Under its final name only when complete: an interrupted demo starts again.
        unfinished = self.path / "documents.unfinished"
        shutil.rmtree(unfinished, ignore_errors=True)
        fleet = generate(options, progress)
        fleet.truth.write(self.truth)
        fleet.write(unfinished)
        write_recordings(fleet, unfinished, options.seed)
        unfinished.rename(self.documents)
        return True

    def _claim(self, options: FleetOptions) -> None:
        wanted = json.dumps(
            {
                "vehicles": options.vehicles,
                "years": options.years,
                "seed": options.seed,
                "ends_on": str(options.ends_on),
            }
        )
        marker = self.path / "demo.json"
        if not marker.exists():
            if self.path.exists() and (not self.path.is_dir() or any(self.path.iterdir())):
                raise ConflictError(
                    f"{self.path} is no demo's folder and is not empty; "
                    "choose a new one with --folder"
                )
            self.path.mkdir(parents=True, exist_ok=True)
            marker.write_text(wanted, encoding="utf-8")
            return
        held = marker.read_text(encoding="utf-8", errors="replace")
        if held != wanted:
            raise ConflictError(
                f"{self.path} holds another demo, {held[:200]!r}, not {wanted!r}; "
                "choose a new folder with --folder"
            )
