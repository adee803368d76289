"""Generate an invented fleet: the documents it would have written, and the truth beside them.

Use::

    from pathlib import Path
    from demo_fleet.generate import generate
    from demo_fleet.options import FleetOptions

    fleet = generate(FleetOptions(vehicles=240, years=4, seed=7))
    fleet.write(Path("documents"))         # six NDJSON files: load this folder
    fleet.truth.write(Path("truth"))       # Parquet, for scoring: never load it

``fleet.truth`` holds Polars frames (see ``demo_fleet.truth.Truth``); ``tests.fleets``
names varied options and scores verdicts against the truth. The same options give the
same bytes. A vehicle's life depends only on its own number and the seed, so a larger
fleet begins with the smaller one's vehicles as far as depots and kits allow.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np

from demo_fleet.documents import (
    calibration_documents,
    family_document,
    finding_documents,
    fitment_documents,
    test_record_documents,
)
from demo_fleet.habits import Line, Record, write_down
from demo_fleet.kits import draw_kit
from demo_fleet.life import VehicleLife, live
from demo_fleet.options import FleetOptions
from demo_fleet.scenario import FAMILIES, depot_name, vehicle_name, workshop_name
from demo_fleet.truth import Truth, TruthTables
from demo_fleet.usage import daily_km
from demo_fleet.visits import plan_visits, visit_days

# Streams of random numbers: one per purpose, so that changing one leaves the others alone.
_KITS, _VEHICLES, _WRITING, _SLIPS, _DEPOTS = range(5)


@dataclass(frozen=True)
class Fleet:
    """The documents by kind, the lines of the test records, and the truth."""

    documents: dict[str, list[Record]]
    test_record_lines: list[Line]
    truth: Truth

    def write(self, folder: Path) -> None:
        """Write one NDJSON file per kind into ``folder``; nothing else goes there."""
        folder.mkdir(parents=True, exist_ok=True)
        for kind, documents in self.documents.items():
            _write_lines(folder / f"{kind}.ndjson", documents)
        _write_lines(
            folder / "test_records.ndjson", (line.record for line in self.test_record_lines)
        )


def _write_lines(path: Path, documents: Iterable[Record]) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        for document in documents:
            file.write(json.dumps(document, separators=(",", ":"), ensure_ascii=False) + "\n")


def generate(options: FleetOptions, progress: Callable[[int], None] | None = None) -> Fleet:
    """Return the fleet that ``options`` describes.

    ``progress`` is called with the number of vehicles done, after each.
    """
    starts_on, days = options.starts_on, options.days
    tables = TruthTables(starts_on, options.ends_on)
    kit_rng = np.random.default_rng([options.seed, _KITS])
    kits = [draw_kit(options.kits, days, kit_rng) for _ in range(options.kit_count)]
    tables.add_kits(kits)
    documents: dict[str, list[Record]] = {
        "pump_families": [family_document(family) for family in FAMILIES],
        "vehicles": [],
        "kit_calibrations": calibration_documents(kits, starts_on, kit_rng),
        "fitments": [],
        "findings": [],
    }
    slip_rng = np.random.default_rng([options.seed, _SLIPS])
    lines: list[tuple[float, Line]] = []
    calendar = _Calendar(options)
    for index in range(options.vehicles):
        life, depot = _vehicle(options, calendar, index, [kit.bias for kit in kits])
        name = vehicle_name(index)
        rng = np.random.default_rng([options.seed, _WRITING, index])
        serials = [f"P{int(rng.integers(16**8)):08X}" for _ in life.pumps]
        documents["vehicles"].append(
            {
                "vehicle": name,
                "pump_family": life.family.name,
                "in_service_on": str(starts_on + timedelta(days=int(np.floor(life.entry_day)))),
                "depot": depot_name(depot),
            }
        )
        documents["fitments"] += fitment_documents(name, life, serials, starts_on, rng)
        documents["findings"] += finding_documents(name, life, starts_on, rng)
        records = [
            test_record_documents(
                options.habits, name, life, visits, readings, calendar.workshops, starts_on, rng
            )
            for visits, readings in zip(life.visits, life.readings, strict=True)
        ]
        tables.add_vehicle(
            name,
            life,
            serials,
            [kit.bias for kit in kits],
            [[record["record_id"] for record in some] for some in records],
            [[("build" in record, "leak" in record) for record in some] for some in records],
        )
        for visits, some in zip(life.visits, records, strict=True):
            for day, record in zip(visits.day, some, strict=True):
                written = write_down(options.habits, record, slip_rng)
                # What is sent once more comes later, among other vehicles' records.
                lines += [(day + 3.0 * turn, line) for turn, line in enumerate(written)]
        if progress is not None:
            progress(index + 1)
    lines.sort(key=lambda entry: entry[0])
    for number, (_, line) in enumerate(lines, start=1):
        tables.add_line(number, line.record["record_id"], line.expected, line.slip)
    return Fleet(documents, [line for _, line in lines], tables.truth())


class _Calendar:
    """Days, depots and workshops that all vehicles share."""

    def __init__(self, options: FleetOptions) -> None:
        day = np.arange(options.days, dtype=np.float64)
        self.first_weekday = options.starts_on.weekday()
        self.first_day_of_year = options.starts_on.timetuple().tm_yday
        self.weekday = (day + self.first_weekday) % 7
        self.day_of_year = day + self.first_day_of_year
        rng = np.random.default_rng([options.seed, _DEPOTS])
        self.depot_offset_c = options.climate.depot_scatter_c * rng.normal(size=options.depot_count)
        self.workshops = [
            workshop_name(index, options.depot_count) for index in range(options.workshop_count)
        ]
        kit = np.arange(options.kit_count)
        self.kits_of_workshop = [
            kit[kit % options.workshop_count == w] for w in range(options.workshop_count)
        ]


def _vehicle(
    options: FleetOptions, calendar: _Calendar, index: int, kit_bias: list[np.ndarray]
) -> tuple[VehicleLife, int]:
    """Return the life of vehicle ``index`` and its depot."""
    rng = np.random.default_rng([options.seed, _VEHICLES, index])
    shares = np.array([family.share for family in FAMILIES])
    family = FAMILIES[int(rng.choice(len(FAMILIES), p=shares / shares.sum()))]
    depot = int(rng.integers(options.depot_count))
    if rng.random() < options.operator.entering_share:
        entry_day = float(np.floor(rng.uniform(0, 0.8 * options.days)))
    else:
        entry_day = -float(np.floor(rng.uniform(0, 365 * options.operator.oldest_years)))
    km = daily_km(options.usage, family.km_per_workday, calendar.weekday, calendar.day_of_year, rng)
    day = visit_days(options.visits, entry_day, options.days, calendar.first_weekday, rng)
    homes = range(depot, options.workshop_count, options.depot_count)
    visits = plan_visits(
        options.visits,
        options.climate,
        family,
        day,
        calendar.first_day_of_year + day,
        float(calendar.depot_offset_c[depot]),
        homes[int(rng.integers(len(homes)))],
        calendar.kits_of_workshop,
        rng,
    )
    return live(options, family, entry_day, km, visits, kit_bias, rng), depot
