"""The truth of a fleet, in the frames of ``demo_fleet.truth`` that scores read."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, datetime, time, timedelta

import numpy as np
import polars as pl

from demo_fleet.habits import Line
from demo_fleet.truth import SCHEMAS, Truth
from tests.fleets.second.kits import Kit
from tests.fleets.second.lives import Life, Pump
from tests.fleets.second.readings import Readings
from tests.fleets.second.visits import Visits
from tests.fleets.second.written import Record


class TruthRows:
    """Collects rows vehicle by vehicle. The reserve holds for a whole day."""

    def __init__(self, starts_on: date, ends_on: date) -> None:
        self._starts_at = datetime.combine(starts_on, time())
        days = (ends_on - starts_on).days + 1
        dates = [starts_on + timedelta(days=d) for d in range(days)]
        # A month end's reserve is that of the month's last day.
        self._month_ends = [
            (d, on) for d, on in enumerate(dates) if (on + timedelta(days=1)).day == 1
        ]
        self._rows: dict[str, list[tuple]] = {part.name: [] for part in fields(Truth)}

    def _at(self, day: float | None) -> datetime | None:
        if day is None:
            return None
        return self._starts_at + timedelta(minutes=round(day * 1440))

    def add_kits(self, kits: list[Kit]) -> None:
        """Note biases at month ends, and what happened to each kit."""
        for kit in kits:
            self._rows["kits"] += [
                (kit.name, on, float(kit.bias[day])) for day, on in self._month_ends
            ]
            self._rows["kit_events"] += [
                (kit.name, self._at(e.day), e.kind, e.size, e.recorded) for e in kit.events
            ]

    def add_vehicle(self, vehicle: str, life: Life, serials: list[str]) -> None:
        """Note a vehicle's pumps, their reserve, and its faults."""
        days = life.odometer_km.size
        for pump, serial in zip(life.pumps, serials, strict=True):
            self._rows["pumps"].append(
                (vehicle, serial, life.family.name, life.family.limit, self._at(pump.fitted),
                 self._at(pump.removed), self._at(pump.removed) if pump.failed else None,
                 None if not pump.failed else "pump_wear" if pump.gradual else "contamination",
                 pump.gradual, pump.wear_law.value, pump.new_reserve)
            )  # fmt: skip
            reserve, alone, cause = life.reserve(pump), life.alone(pump), life.leading(pump)
            last = days if pump.removed is None else pump.removed
            self._rows["reserve"] += [
                (vehicle, serial, on, float(reserve[d]), float(alone[d]), cause[d])
                for d, on in self._month_ends
                if pump.fitted < d + 1 <= last
            ]
            fitted = np.arange(days)
            below = reserve < life.family.limit
            below &= (fitted >= pump.fitted) & (fitted < last)
            edges = np.flatnonzero(np.diff(np.concatenate([[0], below.astype(np.int8), [0]])))
            self._rows["below_limit"] += [
                (vehicle, serial, self._at(float(a)), self._at(min(float(b), last)))
                for a, b in edges.reshape(-1, 2)
            ]
        self._rows["faults"] += [
            (vehicle, fault.part, None if fault.cylinder is None else fault.cylinder + 1,
             fault.cause, self._at(fault.begins), self._at(min(fault.ends, float(days))),
             fault.size, fault.on_road)
            for fault in life.faults
        ]  # fmt: skip

    def add_tests(
        self, vehicle: str, life: Life, pump: Pump, serial: str, visits: Visits,
        readings: Readings, records: list[Record], kits: list[Kit],
    ) -> None:  # fmt: skip
        """Note what was true at each of a pump's tests."""
        reserve, cause = life.reserve(pump), life.leading(pump)
        for i, record in enumerate(records):
            day, kit = int(visits.day[i]), kits[visits.kit[i]]
            self._rows["tests"].append(
                (record["record_id"], vehicle, serial, self._at(float(visits.day[i])),
                 float(reserve[day]), cause[day], kit.name, float(kit.bias[day]),
                 int(readings.botch[i]), "build" in record, "leak" in record)
            )  # fmt: skip

    def add_lines(self, lines: list[Line]) -> None:
        """Note what should become of each line."""
        self._rows["lines"] = [
            (number, line.record["record_id"], line.expected, line.slip)
            for number, line in enumerate(lines, start=1)
        ]

    def truth(self) -> Truth:
        """Return everything collected."""
        return Truth(
            **{
                name: pl.DataFrame(rows, schema=SCHEMAS[name], orient="row")
                for name, rows in self._rows.items()
            }
        )
