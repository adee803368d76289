"""One vehicle in full: its verdict as ``one_vehicle`` gives it, and everything it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa

from fleetdb.records.documents import Outcome, Part
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.trend_settings import read_trend_settings
from fleetdb.trend import queries
from fleetdb.trend.beliefs import Repair
from fleetdb.trend.one_vehicle import fleet_context, vehicle_connection
from fleetdb.trend.past_states import Moments, PastState, month_ends_before, past_states
from fleetdb.trend.pipeline import follow_vehicle
from fleetdb.trend.series import years
from fleetdb.trend.vehicle_tests import Ahead, PumpSeen, ahead_of, pumps_seen
from fleetdb.warehouse.vehicle_tables import vehicle_tables
from fleetdb.warehouse.views import register_tables

MONTHS_BACK = 24


@dataclass(frozen=True, slots=True)
class FamilySettings:
    """What applies to the vehicle's family at the moment of the verdict."""

    cylinders: int
    proof_target_bar: float
    proof_ratio_limit: float
    leak_limit_ml_per_min: float | None
    reference_fuel_temp_c: float
    reference_crank_rpm: float
    usual_leak_rail_bar: float | None


@dataclass(frozen=True, slots=True)
class VehicleInFull:
    """The verdict on a vehicle's present pump, its pumps and tests, and what is to come."""

    as_of: datetime
    verdict: dict[str, Any]
    """A row of ``fleetdb.trend.verdict.SCHEMA``."""
    settings: FamilySettings
    pumps: tuple[PumpSeen, ...]
    """Every pump the vehicle has had, the present one last."""
    ahead: tuple[Ahead, ...]
    past: tuple[PastState, ...]


def vehicle_in_full(
    store: Store,
    settings: Settings,
    fleet_id: int,
    vehicle: str,
    as_of: datetime | None = None,
) -> VehicleInFull | None:
    """Return everything the trend has to say of one vehicle, or None before its first day.

    Raises
    ------
    NotFoundError
        No vehicle of that name in the fleet.
    """
    with store.read() as session:
        tables = vehicle_tables(session, fleet_id, vehicle)
        of_fleet = read_trend_settings(session, fleet_id)
    moment = (as_of or datetime.now(UTC)).astimezone(UTC)
    context = fleet_context(settings.home, fleet_id)
    with vehicle_connection(context) as connection:
        register_tables(connection, tables, of_fleet)
        whole = follow_vehicle(connection, moment, context, every_pump=True)
        if not whole.followed:
            return None
        verdict = whole.verdicts(connection).to_pylist()[0]
        rows = queries.answer(connection, "readings_in_full")
        in_force = queries.answer(connection, "family_in_force", as_of=whole.moment).to_pylist()
        repairs = queries.whole(connection, "repairs")
    (each,) = whole.followed
    family = each.series.pump_family
    constants, limit = whole.constants[family], whole.known.limits[family]
    own = next(row for row in in_force if row.pop("pump_family") == family)
    applied = FamilySettings(**own)
    return VehicleInFull(
        as_of=moment,
        verdict=verdict,
        settings=applied,
        pumps=pumps_seen(each, rows, applied.usual_leak_rail_bar, constants, limit, whole.policy),
        ahead=ahead_of(
            each,
            each.series.n_pumps - 1,
            float(years(np.array([whole.moment], dtype="datetime64[us]"))[0]),
            constants,
            limit,
            whole.policy,
        ),
        past=past_states(
            each,
            month_ends_before(whole.moment, MONTHS_BACK),
            repairs_at(repairs),
            _failures(tables["findings"]),
            constants,
            limit,
            whole.policy,
            whole.line,
        ),
    )


def repairs_at(repairs: pa.Table) -> dict[Repair, Moments]:
    """Return when what of the vehicle was repaired."""
    at, what = _moments(repairs["repaired_at"]), repairs["repair"].to_numpy()
    return {repair: at[(what & repair) > 0] for repair in Repair}


def _failures(findings: pa.Table) -> Moments:
    """Return when a pump of the vehicle was found failed on the road."""
    part, outcome = (findings[name].to_numpy() for name in ("part", "outcome"))
    failed = (part == Part.PUMP.value) & (outcome == Outcome.FAILED_ON_ROAD.value)
    return _moments(findings["found_at"])[failed]


def _moments(column: pa.ChunkedArray) -> Moments:
    return column.to_numpy().astype("datetime64[us]")
