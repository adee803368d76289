"""What a gauge, a stopwatch and a glass showed at each test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.fleets.second.kinds import Kind
from tests.fleets.second.kits import Kit
from tests.fleets.second.lives import Life, Pump
from tests.fleets.second.noise import proof_errors
from tests.fleets.second.rail import build_rate_bar_per_s, held, reach
from tests.fleets.second.visits import Visits
from tests.fleets.second.workshops import Workshop

Floats = NDArray[np.float64]

_SECONDS_PER_MINUTE = 60.0
# A short crank and air in the rail: pressure and climb over what a good run shows.
_SHORT_CRANK = (0.35, 0.92)
_AIR_PRESSURE = (0.65, 0.98)
_AIR_CLIMB = (0.25, 0.75)
_NEEDED_ABOVE_WINDOW = 1.04
_COLLECTED_SPREAD = 0.06
_COLLECTED_ML = 0.3


@dataclass(frozen=True)
class Readings:
    """One entry per test. NaN where the figure could not be had (pressure never got there).

    ``held``: true pressure over target, of a good run. ``botch``: 0 none, 1 short crank,
    2 air in the rail. ``in_mpa``: the pressure reached was typed in MPa. ``leak_ml`` has a
    column per cylinder.
    """

    held: Floats
    actual_bar: Floats
    build_rate_bar_per_s: Floats
    build_from_bar: Floats
    build_to_bar: Floats
    leak_rail_bar: Floats
    leak_ml: Floats
    botch: NDArray[np.int64]
    in_mpa: NDArray[np.bool_]


def read(
    kind: Kind,
    life: Life,
    pump: Pump,
    visits: Visits,
    kits: list[Kit],
    workshops: list[Workshop],
    rng: np.random.Generator,
) -> Readings:
    """Take all readings of the tests of one pump."""
    family, day, n = life.family, visits.day.astype(np.int64), len(visits)
    target = family.target_bar
    shops = [workshops[w] for w in visits.workshop]
    flow = pump.flow[day] * life.shares.supply[day] * visits.speed
    laminar = pump.laminar[day] + life.shares.injectors[day].sum(axis=1)
    orifice = life.shares.orifice[day]
    reached = reach(flow, laminar, orifice, visits.viscosity)
    level = held(reached, life.cap[day], kind.knee, kind.sharpness)

    gain = 1.0 + np.array([kits[k].bias[d] for k, d in zip(visits.kit, day, strict=True)])
    relative, added_bar = proof_errors([shop.noise for shop in shops], kind.proof_noise, rng)
    botched = rng.uniform(*kind.botched)
    botch = np.where(rng.random(n) < botched, rng.integers(1, 3, size=n), 0)
    pressure = np.where(botch == 1, rng.uniform(*_SHORT_CRANK, size=n), 1.0)
    pressure = np.where(botch == 2, rng.uniform(*_AIR_PRESSURE, size=n), pressure)
    climb = np.where(botch == 2, rng.uniform(*_AIR_CLIMB, size=n), 1.0)
    actual_bar = level * pressure * target * gain * (1.0 + relative) + added_bar
    step = np.array([shop.rounds_to_bar for shop in shops])
    actual_bar = np.maximum(np.round(actual_bar / step) * step, 0.0)
    mpa = rng.random(n) < np.array([shop.writes_mpa for shop in shops])
    actual_bar = np.where(mpa, np.round(actual_bar / 10.0, 1), actual_bar)

    window = np.array([shop.build_window for shop in shops]).reshape(n, 2) * target
    window = np.round(window / 10.0) * 10.0
    rate = build_rate_bar_per_s(
        window[:, 0] / gain,
        window[:, 1] / gain,
        target_bar=target,
        swept_ml_per_s=life.strength
        * family.swept_ml_per_rev
        * family.reference_rpm
        / _SECONDS_PER_MINUTE,
        volume_ml=1.5 * family.rail_volume_ml * life.volume,
        flow=flow,
        laminar=laminar,
        orifice=orifice,
        viscosity=visits.viscosity,
        temp_c=visits.temp_c,
    )
    # Who misjudges a pressure on a needle misjudges its climb: half of the error is shared.
    timed = kind.build_noise * rng.normal(size=n) + 0.5 * relative
    rate = np.round(rate * gain * climb * np.exp(timed), 0)
    got_there = level * pressure * target * gain > _NEEDED_ABOVE_WINDOW * window[:, 1]
    rate = np.where(got_there, rate, np.nan)

    leak_share = level * rng.uniform(0.75, 1.0, size=n)
    own = life.shares.injectors[day] * (leak_share / visits.viscosity)[:, None]
    swept_ml_per_min = life.strength * family.swept_ml_per_rev * family.reference_rpm
    minutes = np.array([shop.leak_s for shop in shops]) / _SECONDS_PER_MINUTE
    ml = own * swept_ml_per_min * minutes[:, None]
    ml *= np.exp(_COLLECTED_SPREAD * rng.normal(size=ml.shape))
    ml += _COLLECTED_ML * rng.normal(size=ml.shape)
    marks = np.array([shop.graduation_ml for shop in shops])[:, None]
    return Readings(
        held=level,
        actual_bar=actual_bar,
        build_rate_bar_per_s=rate,
        build_from_bar=window[:, 0],
        build_to_bar=window[:, 1],
        leak_rail_bar=np.round(leak_share * target * gain / 10.0) * 10.0,
        leak_ml=np.maximum(np.round(ml / marks) * marks, 0.0),
        botch=botch,
        in_mpa=mpa,
    )
