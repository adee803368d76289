"""What samples taught before, kept on disk: a search takes seconds, and every night has the same.

A sample is of what was known when a half-year began, so each assessment of that half-year, each
replay and each look at a past date would search for the same constants. What is learnt follows
from sample, start and limit alone; their digest names the file it is kept in. A record that
arrives late, a correction or a new version of the method makes another digest.
"""

from __future__ import annotations

import hashlib
import json
import logging
from pathlib import Path

import numpy as np

from fleetdb.trend.assessment import METHOD
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.learning import Learnt, Sample, learn
from fleetdb.warehouse.durable import write_text

_MOST_KEPT = 300
"""Files; the least recently written go first. Five years of ten families are a hundred."""
_log = logging.getLogger(__name__)


class LearntBefore:
    """Learns as ``learning.learn`` does, or remembers; without a folder it remembers nothing."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder

    def learn(self, sample: Sample, start: FamilyConstants, limit: float) -> Learnt:
        """Return what ``sample`` teaches; see ``learning.learn``."""
        if self._folder is None:
            return learn(sample, start, limit)
        path = self._folder / f"{_digest(sample, start, limit)}.json"
        learnt = _read(path)
        if learnt is None:
            learnt = learn(sample, start, limit)
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
                write_text(path, _text(learnt))
                _forget_oldest(self._folder)
            except OSError as error:
                # It is only slower without.
                _log.warning("what was learnt could not be kept: %s", error)
        return learnt


def _forget_oldest(folder: Path) -> None:
    written = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime_ns)
    for path in written[:-_MOST_KEPT]:
        path.unlink(missing_ok=True)


def _digest(sample: Sample, start: FamilyConstants, limit: float) -> str:
    digest = hashlib.sha256(f"{METHOD}".encode())
    arrays = (*sample.readings, *sample.windows, sample.offsets, sample.start_y, sample.failed_y)
    for array in (np.array([*start, limit]), *arrays):
        digest.update(f"{array.dtype}{array.shape}".encode())
        # Adding nothing makes one of the two zeros.
        digest.update(np.ascontiguousarray(array + 0).tobytes())
    return digest.hexdigest()


def _text(learnt: Learnt) -> str:
    return json.dumps({"constants": learnt.constants._asdict(), "habits": learnt.habits})


def _read(path: Path) -> Learnt | None:
    """Return what is kept in a file, None where there is none or it cannot be read."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return Learnt(
            FamilyConstants(**kept["constants"]),
            {int(number): level for number, level in kept["habits"].items()},
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        _log.warning("%s cannot be read and is learnt anew: %s", path, error)
        return None
