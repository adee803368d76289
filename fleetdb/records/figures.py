"""The figures of a test record: what its readings come to, before any correction."""

from __future__ import annotations

from dataclasses import dataclass

from fleetdb.records.documents import TestRecord
from fleetdb.units import SECONDS_PER_MINUTE


@dataclass(frozen=True, slots=True)
class Figures:
    """Raw figures of one record, None where the reading was not taken.

    ``raw_proof_ratio`` is pressure reached over target [-], ``raw_build_rate_bar_per_s``
    [bar/s], ``raw_leak_ml_per_min`` the back-leak of all cylinders measured [ml/min],
    ``raw_leak_ml_per_min_by_cylinder`` the same for each of them.
    """

    raw_proof_ratio: float | None
    raw_build_rate_bar_per_s: float | None
    raw_leak_ml_per_min: float | None
    raw_leak_ml_per_min_by_cylinder: dict[int, float]


def figures_of(record: TestRecord) -> Figures:
    """Return the figures of ``record``.

    Notes
    -----
    650 bar reached of 700 asked is a ratio of 0.93 (common practice, no source).
    """
    by_cylinder: dict[int, float] = {}
    if record.leak is not None:
        minutes = record.leak.duration_s / SECONDS_PER_MINUTE
        by_cylinder = {
            entry.cylinder: entry.ml / minutes
            for entry in sorted(record.leak.cylinders, key=lambda entry: entry.cylinder)
        }
    return Figures(
        raw_proof_ratio=record.proof and record.proof.actual_bar / record.proof.target_bar,
        raw_build_rate_bar_per_s=record.build and record.build.rate_bar_per_s,
        raw_leak_ml_per_min=sum(by_cylinder.values()) if by_cylinder else None,
        raw_leak_ml_per_min_by_cylinder=by_cylinder,
    )
