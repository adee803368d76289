"""Generate a fleet of a kind: its documents, and the truth beside them.

Use::

    fleet = generate("plain", vehicles=600, seed=1)

It is what ``demo_fleet.generate.generate`` returns, so it is written, loaded and scored
alike. The same arguments give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from demo_fleet.generate import Fleet
from demo_fleet.habits import Line
from tests.fleets.second.kinds import ENDS_ON, KINDS, Kind
from tests.fleets.second.kits import Kit, draw_kit
from tests.fleets.second.lives import Life, Living, draw_entry
from tests.fleets.second.readings import Readings, read
from tests.fleets.second.truths import TruthRows
from tests.fleets.second.visits import (
    Calendar,
    Visits,
    after_repairs,
    draw_visits,
    draw_weather,
    planned_days,
)
from tests.fleets.second.workshops import draw_workshops
from tests.fleets.second.written import (
    Record,
    calibration_documents,
    family_document,
    finding_documents,
    fitment_documents,
    test_record_documents,
    vehicle_document,
)

_DEPOTS = ("Heron Yard", "Otter Quay", "Curlew Road")
MPA_SLIP = "mpa_for_bar"
# Streams of random numbers, so that a larger fleet begins with the smaller one's vehicles.
_FLEET, _VEHICLE, _WRITING = range(3)


@dataclass(frozen=True)
class Tested:
    """A vehicle's life and, pump by pump, its tests and what they showed."""

    life: Life
    home: int
    visits: list[Visits]
    readings: list[Readings]


@dataclass(frozen=True)
class Setting:
    """What a fleet's vehicles share."""

    kind: Kind
    starts_on: date
    days: int
    seed: int
    kits: list[Kit]
    calendar: Calendar

    @classmethod
    def draw(cls, kind: Kind, seed: int) -> Setting:
        """Draw kits, workshops and weather."""
        days = round(kind.years * 365.25)
        starts_on = ENDS_ON - timedelta(days=days - 1)
        rng = np.random.default_rng([seed, _FLEET])
        n_kits = int(rng.integers(kind.kits[0], kind.kits[1] + 1))
        kits = [draw_kit(f"Gauge {k + 1}", kind, days, rng) for k in range(n_kits)]
        workshops = draw_workshops(kind, n_kits, rng)
        first = starts_on.timetuple().tm_yday
        day_of_year = np.arange(first, first + days, dtype=np.float64) % 365.25
        air_c = draw_weather(kind.climate, day_of_year, rng)
        return cls(kind, starts_on, days, seed, kits, Calendar(day_of_year, air_c, workshops))

    def vehicle(self, index: int) -> Tested:
        """Live and test vehicle ``index``."""
        kind, days, calendar = self.kind, self.days, self.calendar
        rng = np.random.default_rng([self.seed, _VEHICLE, index])
        shares = [family.share for family in kind.families]
        family = kind.families[int(rng.choice(len(shares), p=shares))]
        entry = draw_entry(days, rng)
        planned = planned_days(kind, entry, days, rng)
        life = Living(kind, family, entry, days, rng).live(planned)
        repaired = sorted({day for day, _, _ in life.findings if day > entry})
        day = np.sort(np.concatenate([planned, after_repairs(repaired, days, rng)]))
        home = int(rng.integers(len(calendar.workshops)))
        cranks = float(1.0 + 0.05 * rng.normal())
        every = draw_visits(kind, family, calendar, day, home, cranks, rng)
        visits, readings = [], []
        for pump in life.pumps:
            until = np.inf if pump.removed is None else pump.removed
            own = every.chosen((every.day > pump.fitted) & (every.day < until))
            visits.append(own)
            readings.append(read(kind, life, pump, own, self.kits, calendar.workshops, rng))
        return Tested(life, home, visits, readings)


def generate(kind: str | Kind, *, vehicles: int, seed: int) -> Fleet:
    """Return a fleet of the named kind (or of settings of one's own)."""
    setting = Setting.draw(KINDS[kind] if isinstance(kind, str) else kind, seed)
    starts_on = setting.starts_on
    writing = np.random.default_rng([seed, _WRITING])
    truth = TruthRows(starts_on, ENDS_ON)
    truth.add_kits(setting.kits)
    documents: dict[str, list[Record]] = {
        "pump_families": [family_document(family) for family in setting.kind.families],
        "vehicles": [],
        "kit_calibrations": calibration_documents(setting.kits, starts_on, writing),
        "fitments": [],
        "findings": [],
    }
    lines: list[tuple[float, Line]] = []
    for index in range(vehicles):
        tested, name = setting.vehicle(index), f"S{index + 1:04}"
        rng = np.random.default_rng([seed, _WRITING, index])
        serials = [f"{name}-{letter + 1}" for letter in range(len(tested.life.pumps))]
        depot = _DEPOTS[tested.home % len(_DEPOTS)]
        documents["vehicles"].append(vehicle_document(name, tested.life, depot, starts_on))
        documents["fitments"] += fitment_documents(name, tested.life, serials, starts_on, rng)
        documents["findings"] += finding_documents(name, tested.life, starts_on, rng)
        truth.add_vehicle(name, tested.life, serials)
        for pump, serial, visits, readings in zip(
            tested.life.pumps, serials, tested.visits, tested.readings, strict=True
        ):
            records = test_record_documents(
                setting.kind, name, tested.life, visits, readings, setting.kits,
                setting.calendar.workshops, starts_on, rng,
            )  # fmt: skip
            truth.add_tests(
                name, tested.life, pump, serial, visits, readings, records, setting.kits
            )
            lines += [
                (day, Line(record, "accepted", MPA_SLIP if mpa and "proof" in record else None))
                for day, record, mpa in zip(visits.day, records, readings.in_mpa, strict=True)
            ]
    lines.sort(key=lambda entry: entry[0])
    truth.add_lines([line for _, line in lines])
    return Fleet(documents, [line for _, line in lines], truth.truth())
