"""One vehicle's tests, forecast and past states as plain values: what a page tells of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend.at_reference import (
    AtReference,
    build_rate_at_reference,
    proof_ratio_at_reference,
)
from fleetdb.trend.beliefs import Floats
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import DAYS_PER_YEAR, FORECAST_DAYS
from fleetdb.trend.following import Followed
from fleetdb.trend.judging import BOTCHED
from fleetdb.trend.rewinding import seen_at
from fleetdb.trend.states import Policy

AHEAD_DAYS = (0.0, *(days for days in FORECAST_DAYS if days <= 365.0))
MOST_SPREADS = 150
"""So many of a pump's last tests have the reserve's 10 and 90 % points; earlier ones the mean."""


@dataclass(frozen=True, slots=True)
class Spread:
    """The 10, 50 and 90 % points of what a figure may be."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading as made, and at reference conditions with a true kit.

    ``raw`` is ``corrected`` times ``kit``, ``temperature`` and ``speed``: what each of them
    made of it, 1 for nothing.
    """

    raw: float
    corrected: float
    kit: float
    temperature: float
    speed: float
    probability_botched: float

    @property
    def is_set_aside(self) -> bool:
        """True when it is taken to be botched, and so hardly moves the belief."""
        return self.probability_botched > BOTCHED


@dataclass(frozen=True, slots=True)
class CylinderLeak:
    """One injector's back-leak as collected, and at reference temperature and usual pressure."""

    cylinder: int
    raw_ml_per_min: float
    ml_per_min: float


@dataclass(frozen=True, slots=True)
class TestSeen:
    """One test and what the trend made of it; ``reserve`` is what was believed after it.

    ``fuel_temp_c`` and ``crank_rpm`` are None where not measured: the usual ones were taken,
    with their spread. ``leak_temperature`` and ``leak_pressure`` are what those make of the
    leaks at reference.
    """

    __test__ = False  # not a test class, whatever pytest makes of the name

    record_id: str
    performed_at: datetime
    odometer_km: float | None
    kit: str | None
    fuel_temp_c: float | None
    crank_rpm: float | None
    proof_ratio: Reading | None
    build_rate_bar_per_s: Reading | None
    leaks: tuple[CylinderLeak, ...]
    leak_temperature: float
    leak_pressure: float
    reserve: Spread
    probability_worn: float
    probability_below_limit: float


@dataclass(frozen=True, slots=True)
class PumpSeen:
    """A pump that is or was on the vehicle, with its tests in time order."""

    serial: str | None
    fitted_at: datetime
    ended_at: datetime | None
    fitted_km: float | None
    is_original: bool
    tests: tuple[TestSeen, ...]


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is expected of the present pump so many days after the verdict's moment.

    ``proof_ratio`` is what a test at reference conditions would read, its own scatter included.
    """

    days: float
    reserve: Spread
    proof_ratio: Spread
    probability_below_limit: float


def pumps_seen(
    each: Followed,
    rows: pa.Table,
    usual_leak_rail_bar: float | None,
    constants: FamilyConstants,
    limit: float,
    policy: Policy,
) -> tuple[PumpSeen, ...]:
    """Return every pump of one family followed, with its tests.

    ``rows`` is the answer of ``sql/readings_in_full.sql``.
    """
    readings = each.series.readings
    ratios = proof_ratio_at_reference(readings, each.records.ln_reserve, constants)
    builds = build_rate_at_reference(
        readings, each.series.windows, each.records.ln_reserve, constants
    )
    told = {row["reading_no"]: row for row in rows.to_pylist()}
    reserve = _reserve_after_each_test(each, constants, limit, policy)

    def test(j: int) -> TestSeen:
        row = told[each.series.records["reading_no"][j].as_py()]
        temperature = math.exp(readings.ln_viscosity[j])
        pressure = 1.0
        if row["leak_rail_bar"] and usual_leak_rail_bar is not None:
            pressure = usual_leak_rail_bar / row["leak_rail_bar"]
        return TestSeen(
            record_id=row["record_id"],
            performed_at=utc(row["performed_at"]),
            odometer_km=row["odometer_km"],
            kit=row["kit"],
            fuel_temp_c=row["fuel_temp_c"],
            crank_rpm=row["crank_rpm"],
            proof_ratio=_reading(ratios, each.records.p_botched_ratio, j),
            build_rate_bar_per_s=_reading(builds, each.records.p_botched_build, j),
            leaks=_leaks(row, temperature * pressure),
            leak_temperature=temperature,
            leak_pressure=pressure,
            reserve=Spread(*(float(value) for value in np.exp(reserve[j]))),
            probability_worn=float(each.records.p_worn[j]),
            probability_below_limit=float(each.records.p_below[j]),
        )

    offsets = each.series.offsets
    return tuple(
        PumpSeen(
            serial=pump["pump_serial"],
            fitted_at=utc(pump["fitted_at"]),
            ended_at=None if pump["ended_at"] is None else utc(pump["ended_at"]),
            fitted_km=pump["fitted_km"],
            is_original=pump["is_original"],
            tests=tuple(test(j) for j in range(offsets[n], offsets[n + 1])),
        )
        for n, pump in enumerate(each.series.pumps.to_pylist())
    )


def ahead_of(
    each: Followed,
    pump: int,
    now_y: float,
    constants: FamilyConstants,
    limit: float,
    policy: Policy,
) -> tuple[Ahead, ...]:
    """Return what is expected of the pump number ``pump`` in the year after ``now_y``."""
    days = np.array(AHEAD_DAYS)
    n_records = int(np.diff(each.series.offsets)[pump])
    seen = seen_at(
        each,
        pump,
        np.full(len(days), n_records),
        now_y + days / DAYS_PER_YEAR,
        np.full(len(days), each.repaired_since[pump]),
        constants,
        limit,
        policy,
    )
    reserve, ratio = np.exp(seen.pumps.ln_reserve), np.exp(seen.pumps.ln_ratio)
    # The verdict's own, which go by smaller steps of time.
    p_below = [each.pumps.p_below[pump], *each.pumps.p_below_at[pump]]
    return tuple(
        Ahead(
            days=float(days[m]),
            reserve=Spread(*map(float, reserve[m])),
            proof_ratio=Spread(*map(float, ratio[m])),
            probability_below_limit=float(p_below[m]),
        )
        for m in range(len(days))
    )


def utc(moment: datetime) -> datetime:
    """Return a time of the trend, which is UTC without a zone, as an aware one."""
    return moment.replace(tzinfo=UTC)


def _reserve_after_each_test(
    each: Followed, constants: FamilyConstants, limit: float, policy: Policy
) -> Floats:
    """Return ln reserve at 10, 50 and 90 % after each record, shape (n_records, 3)."""
    offsets = each.series.offsets
    reserve = np.repeat(each.records.ln_reserve[:, None], 3, axis=1)
    for pump in range(each.series.n_pumps):
        first, last = int(offsets[pump]), int(offsets[pump + 1])
        shown = np.arange(max(first, last - MOST_SPREADS), last)
        seen = seen_at(
            each,
            pump,
            shown - first + 1,
            each.series.readings.at_y[shown],
            np.zeros(len(shown), np.int64),
            constants,
            limit,
            policy,
        )
        reserve[shown] = seen.pumps.ln_reserve
    return reserve


def _reading(parts: AtReference, p_botched: NDArray[np.float64], j: int) -> Reading | None:
    if math.isnan(parts.raw[j]):
        return None
    return Reading(
        *(
            float(values[j])
            for values in (parts.raw, parts.corrected, parts.kit, parts.temperature, parts.speed)
        ),
        probability_botched=float(p_botched[j]),
    )


def _leaks(row: dict[str, Any], to_reference: float) -> tuple[CylinderLeak, ...]:
    if row["leak_cylinders"] is None:
        return ()
    per_minute = 60.0 / row["leak_duration_s"]
    return tuple(
        CylinderLeak(
            cylinder["cylinder"],
            cylinder["ml"] * per_minute,
            cylinder["ml"] * per_minute * to_reference,
        )
        for cylinder in sorted(row["leak_cylinders"], key=lambda leak: leak["cylinder"])
    )
