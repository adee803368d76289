"""The pipeline from readings to verdicts, for a whole fleet or for one vehicle.

Stage by stage: ``series`` puts each record on its pump and says what its conditions were,
``teaching`` learns the family's constants, ``kits`` takes out what the kits add,
``following`` runs the filter of each pump's reserve, ``judging`` holds it against ``states``,
``forecast`` and ``cause``, ``verdict`` writes it down. SQL in ``sql/`` does joins, windows and
aggregates.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from fleetdb.trend import discoveries, queries
from fleetdb.trend.assessment import METHOD, USUAL_TABLES, Assessment, FleetContext
from fleetdb.trend.book_in_line import BookInLine, book_in_line
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.following import Followed, follow, keep_corrections
from fleetdb.trend.judging import judge, set_aside
from fleetdb.trend.kit_table import kit_bias_from_table, kit_bias_table, kits_table
from fleetdb.trend.kits import KitHabits, apply_kit_bias, correct_for_kits
from fleetdb.trend.known import Known, known_at
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.series import years
from fleetdb.trend.states import Policy, State
from fleetdb.trend.teaching import (
    Teacher,
    beliefs_at_records,
    start_of_half_year,
    with_new_families,
)
from fleetdb.trend.timing_habits import habits_table, with_habits


def assess(
    connection: duckdb.DuckDBPyConnection,
    as_of: datetime,
    policy: Policy | None = None,
    teacher: Teacher | None = None,
) -> Assessment:
    """Return the verdict of every vehicle's present pump, seeing only what was known then.

    Parameters
    ----------
    connection
        DuckDB with the views of ``fleetdb.warehouse.views``. Temporary tables are made in it.
    as_of
        Records performed, parts fitted and findings made after this are not looked at.
        Aware, or bare UTC.
    policy
        Lines at which a verdict changes; left out, the usual ones with the fleet's own horizon.
    teacher
        Remembers learnt constants from one call to the next, or, with a folder, from one night to
        the next; none is needed.

    Returns
    -------
    Assessment
        Tables ``verdicts``, ``kits`` and what one vehicle's verdict needs of the fleet.
    """
    teacher = teacher or Teacher()
    moment = _bare_utc(as_of)
    habits = KitHabits()
    taught = teacher.taught(connection, moment, habits)
    known = known_at(connection, moment, guessed_windows=taught.windows)
    policy = policy or Policy(horizon_days=known.settings.horizon_days)
    taught = with_new_families(taught, known)
    constants = taught.constants
    families, bias = correct_for_kits(
        [with_habits(s, taught.habits[s.pump_family]) for s in known.families],
        lambda s: beliefs_at_records(s, constants[s.pump_family], known.limits[s.pump_family]),
        known.calibrations,
        habits,
    )
    keep_corrections(connection, families)
    queries.keep(connection, "usual_leak")
    queries.keep(connection, "usual_hold")
    now_y = _year(moment)
    followed = follow(connection, families, constants, known, now_y, policy)
    half_year_y = _year(start_of_half_year(moment))
    line = book_in_line([each.walked() for each in followed], half_year_y, policy)
    present = [each.present() for each in followed]
    verdicts, trend_p = judge(connection, known, present, constants, moment, policy, line)
    tables = {
        "verdicts": verdicts,
        "kits": kits_table(bias, known.kit_names, families, now_y),
        "kit_bias": kit_bias_table(bias, known.kit_names),
        "constants": _constants_table(constants),
        "timing_habits": habits_table(taught.habits),
        "book_in_line": line.table(),
        "trend_line": discoveries.as_table(trend_p),
        "set_aside": _set_aside_table(connection, followed),
        **{name: queries.whole(connection, name) for name in USUAL_TABLES},
    }
    return Assessment(tables=tables, meta=_meta(verdicts, line))


@dataclass(frozen=True)
class VehiclesFollowed:
    """Pumps of single vehicles followed in the context of their fleet."""

    known: Known
    constants: dict[str, FamilyConstants]
    followed: list[Followed]
    moment: datetime
    """What nothing later than was looked at; bare UTC."""
    policy: Policy
    line: BookInLine
    trend_p: float | None

    def verdicts(self, connection: queries.Connection) -> pa.Table:
        """Return the verdicts of the present pumps; ``connection`` is that they came from."""
        present = [each.present() for each in self.followed]
        return judge(
            connection,
            self.known,
            present,
            self.constants,
            self.moment,
            self.policy,
            self.line,
            self.trend_p,
        )[0]


def assess_vehicle(
    connection: queries.Connection,
    as_of: datetime,
    context: FleetContext | None,
    policy: Policy | None = None,
) -> pa.Table:
    """Return the verdicts of the vehicles in ``connection``, with the fleet's context.

    The same stages as ``assess``; what the fleet teaches is taken from ``context`` instead
    of learnt anew. A family the fleet has not taught yet has its prior constants, and with
    no context at all (nothing was ever published) conditions come from these vehicles alone.
    """
    return follow_vehicle(connection, as_of, context, policy).verdicts(connection)


def follow_vehicle(
    connection: queries.Connection,
    as_of: datetime,
    context: FleetContext | None,
    policy: Policy | None = None,
    *,
    every_pump: bool = False,
) -> VehiclesFollowed:
    """Return what ``assess_vehicle`` judges from: present pumps, or every one there has been."""
    moment = _bare_utc(as_of)
    if context is not None:
        for name in USUAL_TABLES:
            connection.register(name, getattr(context, name))
    known = known_at(connection, moment, with_usual_conditions=context is None)
    policy = policy or Policy(horizon_days=known.settings.horizon_days)
    families = known.families if every_pump else [s.of_present_pumps() for s in known.families]
    if context is not None:
        families = [with_habits(s, context.habits.get(s.pump_family, {})) for s in families]
        bias = kit_bias_from_table(context.kit_bias_of(known.kit_names), known.kit_names)
        families = [apply_kit_bias(series, bias) for series in families]
    # What is kept is for verdicts, and they are of present pumps, whoever else is followed.
    keep_corrections(connection, [series.of_present_pumps() for series in families])
    if context is None:
        queries.keep(connection, "usual_leak")
        queries.keep(connection, "usual_hold")
    constants = {
        s.pump_family: context.constants_of(s) if context else starting_constants(s)
        for s in families
    }
    return VehiclesFollowed(
        known=known,
        constants=constants,
        followed=follow(connection, families, constants, known, _year(moment), policy),
        moment=moment,
        policy=policy,
        line=context.line if context is not None else book_in_line([], _year(moment), policy),
        trend_p=context.trend_p if context is not None else None,
    )


def _bare_utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment


def _year(moment: datetime) -> float:
    return float(years(np.array([moment], dtype="datetime64[us]"))[0])


def _set_aside_table(connection: duckdb.DuckDBPyConnection, followed: list[Followed]) -> pa.Table:
    """Return the records of all pumps, present and past, with a reading that was set aside."""
    numbers = [
        each.series.records["reading_no"].to_numpy()[set_aside(each.records)] for each in followed
    ]
    found = pa.table({"reading_no": np.concatenate([np.empty(0, np.int64), *numbers])})
    connection.register("set_aside_readings", found)
    return queries.answer(connection, "set_aside")


def _constants_table(constants: dict[str, FamilyConstants]) -> pa.Table:
    rows = [{"pump_family": family, **own._asdict()} for family, own in constants.items()]
    fields = [("pump_family", pa.string())]
    fields += [(name, pa.float64()) for name in FamilyConstants._fields]
    return pa.Table.from_pylist(rows, schema=pa.schema(fields))


def _meta(verdicts: pa.Table, line: BookInLine) -> dict[str, Any]:
    states = verdicts["state"].to_pylist()
    return {
        "method": METHOD,
        "vehicles": len(states),
        "vehicles_by_state": {state.word: states.count(state.word) for state in State},
        "book_in_line": asdict(line),
    }
