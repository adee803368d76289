"""What the verdict commands are tested on: one pump that falls away among sound ones."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from fleetdb.records.documents import Kind
from tests.fleetdb.conftest import START

WORN, SOUND, UNTESTED = "V00", "V01", "V02"
_RATIOS = {
    WORN: (0.94, 0.93, 0.92, 0.88, 0.80, 0.72, 0.62, 0.55),
    SOUND: (0.94, 0.95, 0.94, 0.94, 0.95, 0.94, 0.94, 0.95),
}


def store_worn_fleet(fleet: Any) -> Any:
    """Store tests every 30 days from January to July 2025, and a failure in October."""
    fleet.accept(
        Kind.TEST_RECORDS,
        [
            fleet.record(
                vehicle=vehicle,
                performed_at=(START + timedelta(days=30 * n)).isoformat(),
                conditions={"fuel_temp_c": 40, "crank_rpm": 200},
                proof={"duty_pct": 45, "target_bar": 700, "actual_bar": 700 * ratio},
                build=None,
                leak=None,
                kit=None,
            )
            for vehicle, ratios in _RATIOS.items()
            for n, ratio in enumerate(ratios)
        ],
    )
    fleet.accept(
        Kind.FINDINGS,
        [
            {
                "finding_id": "00000000-0000-4000-8000-0000000000f1",
                "vehicle": WORN,
                "part": "pump",
                "outcome": "failed_on_road",
                "found_at": "2025-10-10T12:00:00Z",
            }
        ],
    )
    return fleet
