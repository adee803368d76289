"""When a vehicle is tested, where, with which kit, and under which conditions."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from tests.fleets.second.kinds import Climate, Family, Kind
from tests.fleets.second.workshops import Workshop

Floats = NDArray[np.float64]

_AWAY = 0.15  # share of visits at a workshop not the vehicle's own
_GAP_DAYS = (100.0, 280.0)
_HOURS = (6.5, 17.5)
_YEAR_DAYS = 365.25
_MIDSUMMER_DAY = 201.0
# Cranking slows as oil and battery get cold, below this.
_STIFF_BELOW_C = 18.0
_STIFF_PER_C = 0.007
_AFTER_REPAIR = 0.6


@dataclass(frozen=True)
class Visits:
    """One entry per test, in order: day of the history, indices, and true conditions.

    ``viscosity`` is over the reference, ``speed`` over the family's reference speed.
    """

    day: Floats
    workshop: NDArray[np.int64]
    kit: NDArray[np.int64]
    temp_c: Floats
    viscosity: Floats
    speed: Floats

    def __len__(self) -> int:
        return self.day.size

    def chosen(self, which: NDArray[np.bool_]) -> Self:
        """Return the visits where ``which`` is true."""
        return type(self)(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@dataclass(frozen=True)
class Calendar:
    """What all vehicles of a fleet share: the air, the year's days, the workshops."""

    day_of_year: Floats
    air_c: Floats
    workshops: list[Workshop]


def draw_weather(climate: Climate, day_of_year: Floats, rng: np.random.Generator) -> Floats:
    """Return the air's temperature on each day: a season, and spells of weather."""
    season = climate.swing_c * np.cos(2 * np.pi * (day_of_year - _MIDSUMMER_DAY) / _YEAR_DAYS)
    shocks = rng.normal(size=day_of_year.size)
    weather = np.zeros(day_of_year.size)
    for i in range(1, weather.size):
        weather[i] = 0.85 * weather[i - 1] + np.sqrt(1 - 0.85**2) * shocks[i]
    return climate.mean_c + season + climate.weather_c * weather


def planned_days(kind: Kind, entry_day: float, days: int, rng: np.random.Generator) -> Floats:
    """Return the days of the planned tests, some intervals stretched into gaps."""
    at_most = int(days / kind.interval_days[0]) + 2
    steps = rng.uniform(*kind.interval_days, size=at_most)
    steps += np.where(rng.random(at_most) < kind.gaps, rng.uniform(*_GAP_DAYS, at_most), 0.0)
    steps[0] *= rng.random()
    day = np.floor(max(entry_day, 0.0) + np.cumsum(steps))
    return day[day < days - 1] + rng.uniform(*_HOURS, size=(day < days - 1).sum()) / 24.0


def after_repairs(repaired: list[float], days: int, rng: np.random.Generator) -> Floats:
    """Return the days of the proofs that follow some repairs within two days."""
    day = np.array([at + rng.uniform(0.05, 2.0) for at in repaired if rng.random() < _AFTER_REPAIR])
    return day[day < days - 1]


def draw_visits(
    kind: Kind,
    family: Family,
    calendar: Calendar,
    day: Floats,
    home: int,
    cranks: float,
    rng: np.random.Generator,
) -> Visits:
    """Draw place and conditions of the tests on ``day``.

    ``home`` is the vehicle's own workshop, ``cranks`` its cranking speed over the reference.
    """
    n, shops = day.size, calendar.workshops
    away = rng.random(n) < _AWAY
    workshop = np.where(away, rng.integers(len(shops), size=n), home)
    kit = np.array(
        [shops[w].kits[int(rng.integers(len(shops[w].kits)))] for w in workshop], dtype=np.int64
    )
    whole = day.astype(np.int64)
    temp_c = _fuel_temps(kind.climate, calendar, whole, workshop, rng)
    viscosity = kind.fuel.viscosity_over_reference(
        temp_c, calendar.day_of_year[whole], rng.normal(size=n), family.reference_temp_c
    )
    stiff = _STIFF_PER_C * np.maximum(_STIFF_BELOW_C - temp_c, 0.0)
    speed = cranks * (1.0 - stiff) * np.exp(0.035 * rng.normal(size=n))
    return Visits(day, workshop, kit, temp_c, viscosity, speed)


def _fuel_temps(
    climate: Climate,
    calendar: Calendar,
    whole: NDArray[np.int64],
    workshop: NDArray[np.int64],
    rng: np.random.Generator,
) -> Floats:
    n, air_c = whole.size, calendar.air_c[whole]
    hot_only = np.array([calendar.workshops[w].hot_only for w in workshop], dtype=bool)
    cold = (rng.random(n) < climate.cold_start_share) & ~hot_only
    warmth = np.where(cold, rng.beta(1.2, 4.0, size=n), rng.beta(5.0, 2.0, size=n))
    warmth = np.where(hot_only, rng.uniform(0.85, 1.1, size=n), warmth)
    temp_c = air_c + warmth * np.maximum(climate.running_c - air_c, 0.0)
    if climate.only is None:
        return temp_c + rng.normal(size=n)
    low, high = climate.only
    # Folded back at the ends rather than piled up on them.
    inside = np.abs((air_c + 2.0 * rng.normal(size=n) - low) % (2 * (high - low)))
    return low + np.minimum(inside, 2 * (high - low) - inside)
