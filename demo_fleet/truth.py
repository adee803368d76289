"""What really happened, beside the documents and never loaded: for scoring only."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from demo_fleet.faults import CAUSE_OF_PART
from demo_fleet.kits import Kit
from demo_fleet.life import NO_CAUSE_BELOW, PumpLife, VehicleLife
from demo_fleet.scenario import kit_name

TIME = pl.Datetime("us")  # UTC, without zone


@dataclass(frozen=True)
class Truth:
    """One frame per question; times are UTC without zone, ``as_of`` dates are month ends.

    pumps: vehicle, pump_serial, pump_family, proof_ratio_limit, fitted_at, removed_at,
        failed_at (both null while it runs), cause (pump_wear or contamination), gradual
        (failed of wear alone), wear_law, new_reserve
    reserve: vehicle, pump_serial, as_of, reserve (as things are), alone (everything but
        the pump new), cause (what costs most reserve, "none" below 10 %)
    below_limit: vehicle, pump_serial, from_at, to_at: spans of reserve below the limit
    tests: record_id, vehicle, pump_serial, performed_at, reserve, cause, kit, kit_bias,
        botch, has_build, has_leak
    kits: kit, as_of, bias
    kit_events: kit, at, kind (step, drift, calibration), size, recorded
    faults: vehicle, part, cylinder, cause, begins_at, ends_at, size, on_road
    lines: line (1-based, in test_records), record_id, expected, slip
    """

    pumps: pl.DataFrame
    reserve: pl.DataFrame
    below_limit: pl.DataFrame
    tests: pl.DataFrame
    kits: pl.DataFrame
    kit_events: pl.DataFrame
    faults: pl.DataFrame
    lines: pl.DataFrame

    def write(self, folder: Path) -> None:
        """Write one Parquet file per frame into ``folder``."""
        folder.mkdir(parents=True, exist_ok=True)
        for part in fields(self):
            getattr(self, part.name).write_parquet(folder / f"{part.name}.parquet")

    @classmethod
    def read(cls, folder: Path) -> Truth:
        """Read what ``write`` wrote."""
        return cls(**{f.name: pl.read_parquet(folder / f"{f.name}.parquet") for f in fields(cls)})


def at(starts_on: date, day: float) -> datetime:
    """Return a day of the history as a UTC time without zone."""
    start = datetime.combine(starts_on, time(), UTC).replace(tzinfo=None)
    return start + timedelta(seconds=round(day * 86_400))


def month_ends(starts_on: date, ends_on: date) -> list[tuple[date, int]]:
    """Return each last day of a month in the history, and the index of the day after it."""
    result: list[tuple[date, int]] = []
    following = starts_on
    while following <= ends_on + timedelta(days=1):
        following += timedelta(days=1)
        if following.day == 1 and following - timedelta(days=1) <= ends_on:
            result.append((following - timedelta(days=1), (following - starts_on).days))
    return result


def cause_at(pump: PumpLife, day: np.ndarray) -> list[str]:
    """Return what costs the most reserve at each time, ``none`` when nothing costs much."""
    names = list(pump.deficits)
    grid = np.arange(pump.reserve.size)
    losses = np.stack([np.interp(day, grid, pump.deficits[name]) for name in names])
    worst = losses.argmax(axis=0)
    return [names[w] if losses[w, i] > NO_CAUSE_BELOW else "none" for i, w in enumerate(worst)]


class TruthTables:
    """Collects rows vehicle by vehicle."""

    def __init__(self, starts_on: date, ends_on: date) -> None:
        self.starts_on = starts_on
        self.month_ends = month_ends(starts_on, ends_on)
        self._rows: dict[str, list[tuple]] = {part.name: [] for part in fields(Truth)}

    def add_vehicle(
        self, vehicle: str, life: VehicleLife, serials: list[str], kit_bias: list[np.ndarray],
        record_ids: list[list[str]], has: list[list[tuple[bool, bool]]],
    ) -> None:  # fmt: skip
        """Note one vehicle's pumps, tests and faults."""
        for pump, serial in zip(life.pumps, serials, strict=True):
            self._add_pump(vehicle, life, pump, serial)
        for index, visits in enumerate(life.visits):
            pump, serial = life.pumps[index], serials[index]
            reserve = np.interp(visits.day, np.arange(pump.reserve.size), pump.reserve)
            causes = cause_at(pump, visits.day)
            for i in range(len(visits)):
                kit = int(visits.kit[i])
                bias = float(kit_bias[kit][int(visits.day[i])])
                self._rows["tests"].append(
                    (record_ids[index][i], vehicle, serial,
                     at(self.starts_on, float(visits.day[i])), float(reserve[i]), causes[i],
                     kit_name(kit), bias, int(visits.botch[i]), *has[index][i])
                )  # fmt: skip
        for fault in life.faults:
            self._rows["faults"].append(
                (vehicle, fault.part, fault.cylinder, CAUSE_OF_PART[fault.part],
                 at(self.starts_on, fault.begins), at(self.starts_on, fault.ends),
                 fault.size, fault.on_road)
            )  # fmt: skip

    def _add_pump(self, vehicle: str, life: VehicleLife, pump: PumpLife, serial: str) -> None:
        limit = life.family.proof_ratio_limit
        removed = None if pump.removed_day is None else at(self.starts_on, pump.removed_day)
        self._rows["pumps"].append(
            (vehicle, serial, life.family.name, limit, at(self.starts_on, pump.fitted_day), removed,
             removed if pump.failed else None, pump.cause, pump.cause == "pump_wear",
             pump.wear.law.value, pump.new_reserve)
        )  # fmt: skip
        last = pump.removed_day if pump.removed_day is not None else float(pump.reserve.size - 1)
        ends = [(as_of, d) for as_of, d in self.month_ends if pump.fitted_day < d <= last]
        causes = cause_at(pump, np.array([d for _, d in ends], dtype=np.float64)) if ends else []
        self._rows["reserve"] += [
            (vehicle, serial, as_of, float(pump.reserve[d]), float(pump.alone[d]), cause)
            for (as_of, d), cause in zip(ends, causes, strict=True)
        ]
        first_day = max(int(np.ceil(pump.fitted_day)), 0)
        below = pump.reserve[first_day : int(last) + 1] < limit
        edges = np.flatnonzero(np.diff(np.concatenate([[False], below, [False]]).astype(np.int8)))
        self._rows["below_limit"] += [
            (vehicle, serial, at(self.starts_on, first_day + int(a)),
             at(self.starts_on, min(first_day + int(b), last)))
            for a, b in edges.reshape(-1, 2)
        ]  # fmt: skip

    def add_kits(self, kits: list[Kit]) -> None:
        """Note each kit's bias at month ends and its events."""
        for index, kit in enumerate(kits):
            name = kit_name(index)
            self._rows["kits"] += [
                (name, as_of, float(kit.bias[d])) for as_of, d in self.month_ends
            ]
            self._rows["kit_events"] += [
                (name, at(self.starts_on, e.day), e.kind, e.size, e.recorded) for e in kit.events
            ]

    def add_line(self, line: int, record_id: str, expected: str, slip: str | None) -> None:
        """Note what should become of one line of the test records."""
        self._rows["lines"].append((line, record_id, expected, slip))

    def truth(self) -> Truth:
        """Return everything collected."""
        return Truth(
            **{
                name: pl.DataFrame(rows, schema=SCHEMAS[name], orient="row")
                for name, rows in self._rows.items()
            }
        )


_PUMP = {"vehicle": pl.String, "pump_serial": pl.String}
SCHEMAS: dict[str, dict[str, pl.DataType | type[pl.DataType]]] = {
    "pumps": {
        **_PUMP, "pump_family": pl.String, "proof_ratio_limit": pl.Float64, "fitted_at": TIME,
        "removed_at": TIME, "failed_at": TIME, "cause": pl.String, "gradual": pl.Boolean,
        "wear_law": pl.String, "new_reserve": pl.Float64,
    },
    "reserve": {
        **_PUMP, "as_of": pl.Date, "reserve": pl.Float64, "alone": pl.Float64, "cause": pl.String,
    },
    "below_limit": {**_PUMP, "from_at": TIME, "to_at": TIME},
    "tests": {
        "record_id": pl.String, **_PUMP, "performed_at": TIME, "reserve": pl.Float64,
        "cause": pl.String, "kit": pl.String, "kit_bias": pl.Float64, "botch": pl.Int64,
        "has_build": pl.Boolean, "has_leak": pl.Boolean,
    },
    "kits": {"kit": pl.String, "as_of": pl.Date, "bias": pl.Float64},
    "kit_events": {
        "kit": pl.String, "at": TIME, "kind": pl.String, "size": pl.Float64, "recorded": pl.Boolean,
    },
    "faults": {
        "vehicle": pl.String, "part": pl.String, "cylinder": pl.Int64, "cause": pl.String,
        "begins_at": TIME, "ends_at": TIME, "size": pl.Float64, "on_road": pl.Boolean,
    },
    "lines": {
        "line": pl.Int64, "record_id": pl.String, "expected": pl.String, "slip": pl.String,
    },
}  # fmt: skip
