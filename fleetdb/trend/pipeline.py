"""The pipeline from readings to verdicts, for a whole fleet or for one vehicle.

Stage by stage: ``series`` puts each record on its pump and says what its conditions were,
``teaching`` learns the family's constants, ``kits`` takes out what the kits add,
``filtering`` follows each pump's reserve, ``states``, ``forecast`` and ``cause`` judge it,
``verdict`` writes it down. SQL in ``sql/`` does joins, windows and aggregates.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend import discoveries, queries
from fleetdb.trend.assessment import METHOD, Assessment, FleetContext
from fleetdb.trend.beliefs import PumpBelief, RecordBelief
from fleetdb.trend.book_in_line import BookInLine, Walked, book_in_line
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import Levels, look_ahead, run_filter
from fleetdb.trend.kit_table import kit_bias_from_table, kit_bias_table, kits_table
from fleetdb.trend.kits import KitHabits, apply_kit_bias, correct_for_kits
from fleetdb.trend.known import Known, known_at
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.second_opinion import second_opinions
from fleetdb.trend.series import (
    Series,
    years,
)
from fleetdb.trend.states import Policy, State, states_of
from fleetdb.trend.teaching import Teacher, beliefs_at_records, with_new_families
from fleetdb.trend.verdict import SCHEMA, PumpFacts, verdict_rows

_RECENT_LEAK_DAYS = 400
_BOTCHED = 0.5


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
    teacher
        Remembers learnt constants from one call to the next (a backtest's); none is needed.

    Returns
    -------
    Assessment
        Tables ``verdicts``, ``kits`` and what one vehicle's verdict needs of the fleet.
    """
    policy = policy or Policy()
    teacher = teacher or Teacher()
    moment = _bare_utc(as_of)
    habits = KitHabits()
    taught = teacher.constants(connection, moment, habits)
    known = known_at(connection, moment)
    constants = with_new_families(taught, known)
    families, bias = correct_for_kits(
        known.families,
        lambda s: beliefs_at_records(s, constants[s.pump_family], known.limits[s.pump_family]),
        known.calibrations,
        habits,
    )
    _keep_corrections(connection, families)
    queries.keep(connection, "usual_leak")
    queries.keep(connection, "usual_hold")
    now_y = _year(moment)
    followed = _follow(connection, families, constants, known, now_y, policy)
    line = book_in_line([each.walked(now_y) for each in followed], now_y, policy)
    present = [each.present() for each in followed]
    verdicts, trend_p = _judge(connection, known, present, constants, moment, policy, line)
    tables = {
        "verdicts": verdicts,
        "kits": kits_table(bias, known.kit_names, families),
        "kit_bias": kit_bias_table(bias, known.kit_names),
        "constants": _constants_table(constants),
        "book_in_line": line.table(),
        "trend_line": discoveries.as_table(trend_p),
        **{
            name: connection.table(name).to_arrow_table()
            for name in ("usual_fuel_temp", "usual_crank_speed", "usual_leak", "usual_hold")
        },
    }
    return Assessment(tables=tables, meta=_meta(verdicts, line))


def assess_vehicle(
    connection: duckdb.DuckDBPyConnection,
    as_of: datetime,
    context: FleetContext | None,
    policy: Policy | None = None,
) -> pa.Table:
    """Return the verdicts of the vehicles in ``connection``, with the fleet's context.

    The same stages as ``assess``; what the fleet teaches is taken from ``context`` instead
    of learnt anew. A family the fleet has not taught yet has its prior constants, and with
    no context at all (nothing was ever published) conditions come from these vehicles alone.
    """
    policy = policy or Policy()
    moment = _bare_utc(as_of)
    if context is not None:
        for name in ("usual_fuel_temp", "usual_crank_speed", "usual_leak", "usual_hold"):
            connection.register(name, getattr(context, name))
    known = known_at(connection, moment, with_usual_conditions=context is None)
    families = [series.of_present_pumps() for series in known.families]
    if context is not None:
        bias = kit_bias_from_table(context.kit_bias, known.kit_names)
        families = [apply_kit_bias(series, bias) for series in families]
    _keep_corrections(connection, families)
    if context is None:
        queries.keep(connection, "usual_leak")
        queries.keep(connection, "usual_hold")
    constants = {
        s.pump_family: context.constants_of(s) if context else starting_constants(s)
        for s in families
    }
    followed = _follow(connection, families, constants, known, _year(moment), policy)
    line = context.line if context is not None else book_in_line([], _year(moment), policy)
    trend_p = context.trend_p if context is not None else None
    return _judge(connection, known, followed, constants, moment, policy, line, trend_p)[0]


def _bare_utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment


def _year(moment: datetime) -> float:
    return float(years(np.array([moment], dtype="datetime64[us]"))[0])


def _keep_corrections(connection: duckdb.DuckDBPyConnection, families: list[Series]) -> None:
    """Give SQL what the arrays say of each record's viscosity."""
    columns = {
        "reading_no": np.concatenate(
            [np.empty(0, np.int64), *(s.records["reading_no"].to_numpy() for s in families)]
        ),
        "ln_viscosity": np.concatenate([np.empty(0), *(s.readings.ln_viscosity for s in families)]),
    }
    connection.register("corrections", pa.table(columns))


@dataclass(frozen=True)
class _Followed:
    """Pumps of a family and what the filter thinks of them."""

    series: Series
    records: RecordBelief
    pumps: PumpBelief

    def present(self) -> _Followed:
        """Return the same of the pumps that are still fitted."""
        fitted = self.series.still_fitted
        own = np.repeat(fitted, np.diff(self.series.offsets))
        return _Followed(
            self.series.of_present_pumps(), self.records.rows(own), self.pumps.rows(fitted)
        )

    def walked(self, now_y: float) -> Walked:
        """Return what the fleet-wide line is found from."""
        ended_y = years(self.series.pumps["ended_at"].to_numpy())
        return Walked(
            offsets=self.series.offsets,
            at_y=self.series.readings.at_y,
            p_worn=self.records.p_worn,
            end_y=np.where(np.isnan(ended_y), now_y, ended_y),
        )


def _follow(
    connection: duckdb.DuckDBPyConnection,
    families: list[Series],
    constants: dict[str, FamilyConstants],
    known: Known,
    now_y: float,
    policy: Policy,
) -> list[_Followed]:
    repairs = queries.answer(connection, "repaired_since")
    followed = []
    for series in families:
        own, limit = constants[series.pump_family], known.limits[series.pump_family]
        repaired = _aligned(repairs, series.pumps["pump_id"].to_numpy())
        records, pumps = run_filter(
            series.readings,
            series.windows,
            series.offsets,
            series.start_y,
            np.full(series.n_pumps, now_y),
            own,
            limit,
            look_ahead(own, Levels(limit, max(policy.act_reserve, limit), policy.notice_days)),
            (~np.isnat(repaired["repaired_at"])).astype(float),
        )
        followed.append(_Followed(series, records, pumps))
    return followed


def _judge(
    connection: duckdb.DuckDBPyConnection,
    known: Known,
    followed: list[_Followed],
    constants: dict[str, FamilyConstants],
    as_of: datetime,
    policy: Policy,
    line: BookInLine,
    trend_p: float | None = None,
) -> tuple[pa.Table, float]:
    """Return the verdicts of pumps that are all still fitted, and the p a trend is told of at.

    ``trend_p`` is found from these pumps where it is not given.
    """
    answers = {
        "tests": queries.answer(connection, "latest_tests"),
        "leaks": queries.answer(
            connection, "leak_by_pump", as_of=as_of, recent_days=_RECENT_LEAK_DAYS
        ),
        "traces": queries.answer(
            connection, "trace_evidence", as_of=as_of, recent_days=_RECENT_LEAK_DAYS
        ),
        "failures": queries.answer(connection, "pump_failures", as_of=as_of),
        **second_opinions(connection, [each.series for each in followed], as_of),
    }
    if trend_p is None:
        trend_p = discoveries.largest_p(answers["builds"]["build_trend_p"].to_numpy())
    parts = []
    for each in followed:
        series, records, pumps = each.series, each.records, each.pumps
        own, limit = constants[series.pump_family], known.limits[series.pump_family]
        states, since_record = states_of(
            series.offsets,
            records.p_worn,
            records.p_below,
            pumps.p_worn,
            pumps.p_below,
            policy,
            line.book_in_from,
        )
        facts = _facts(series, answers, records, limit, own, known.kit_names)
        in_a_row = facts.below_in_a_row >= policy.below_in_a_row
        states = np.where(in_a_row, np.maximum(states, State.BOOK_IN), states)
        parts.append(
            verdict_rows(
                as_of,
                facts,
                pumps,
                states,
                _since(series, since_record, as_of),
                own,
                limit,
                policy,
                trend_p,
            )
        )
    return (pa.concat_tables(parts) if parts else SCHEMA.empty_table()), trend_p


def _facts(
    series: Series,
    answers: dict[str, pa.Table],
    records: RecordBelief,
    limit: float,
    constants: FamilyConstants,
    kit_names: list[str],
) -> PumpFacts:
    ids = series.pumps["pump_id"].to_numpy()
    tests = {
        **_aligned(answers["tests"], ids),
        **_aligned(answers["failures"], ids),
        **_aligned(answers["pace"], ids),
    }
    botched = (records.p_botched_ratio > _BOTCHED) | (records.p_botched_build > _BOTCHED)
    readings = series.readings
    shift = readings.ln_speed + constants.viscosity_power * readings.ln_viscosity
    # A hot or slow test is brought to reference conditions; a cold or fast one may be capped.
    at_reference = readings.ln_ratio - readings.ln_kit - np.minimum(shift, 0.0)
    below = at_reference < math.log(limit)
    last = series.offsets[1:] - 1
    has = np.diff(series.offsets) > 0
    ln_kit = np.zeros(series.n_pumps)
    ln_kit[has] = series.readings.ln_kit[last[has]]
    kit_of_last = [
        kit_names[series.kit[j]] if ok and series.kit[j] >= 0 else None
        for j, ok in zip(last, has, strict=True)
    ]
    return PumpFacts(
        pumps={
            name: series.pumps[name].to_numpy(zero_copy_only=False)
            for name in ("vehicle", "pump_serial", "fitted_at", "depot", "pump_family")
        },
        tests=tests,
        leaks=_aligned(answers["leaks"], ids),
        builds=_aligned(answers["builds"], ids),
        traces=_aligned(answers["traces"], ids),
        ln_kit=ln_kit,
        kit_of_last_test=kit_of_last,
        set_aside=_count(botched, series.offsets),
        below_limit_tests=_count(below, series.offsets),
        below_in_a_row=_in_a_row(below, ~np.isnan(readings.ln_ratio), series.offsets),
    )


def _aligned(table: pa.Table, ids: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    """Return a table's columns in the order of ``ids``, NaN or NaT where it has no row."""
    own = table["pump_id"].to_numpy()
    where = np.searchsorted(own, ids)
    found = np.zeros(len(ids), dtype=bool)
    inside = where < len(own)
    found[inside] = own[where[inside]] == ids[inside]
    take = pa.array(np.where(found, where, 0), mask=~found)
    columns = {}
    for name in table.column_names:
        values = table[name].take(take)
        if pa.types.is_integer(values.type):
            values = values.cast(pa.float64())
        columns[name] = values.to_numpy(zero_copy_only=False)
    return columns


def _count(flags: NDArray[np.bool_], offsets: NDArray[np.int64]) -> NDArray[np.int64]:
    until = np.concatenate([[0], np.cumsum(flags)])
    return until[offsets[1:]] - until[offsets[:-1]]


def _in_a_row(
    flags: NDArray[np.bool_], counted: NDArray[np.bool_], offsets: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return how many of each pump's last records that count have the flag, without a gap."""
    broken_at = np.where(counted & ~flags, np.arange(len(flags)), -1)
    last_break = np.maximum.accumulate(np.append(broken_at, -1))
    after = np.maximum(last_break[np.maximum(offsets[1:] - 1, 0)] + 1, offsets[:-1])
    until = np.concatenate([[0], np.cumsum(flags & counted)])
    return np.where(
        offsets[1:] > offsets[:-1], until[offsets[1:]] - until[np.minimum(after, offsets[1:])], 0
    )


def _since(
    series: Series, since_record: NDArray[np.int64], as_of: datetime
) -> NDArray[np.datetime64]:
    performed = series.records["performed_at"].to_numpy()
    since = series.pumps["fitted_at"].to_numpy().astype("datetime64[us]").copy()
    at_test = since_record >= 0
    since[at_test] = performed[since_record[at_test]]
    since[since_record == -2] = np.datetime64(as_of, "us")  # see states_of
    return since


def _constants_table(constants: dict[str, FamilyConstants]) -> pa.Table:
    rows = [{"pump_family": family, **own._asdict()} for family, own in constants.items()]
    fields = [("pump_family", pa.string())]
    fields += [(name, pa.float64()) for name in FamilyConstants._fields]
    return pa.Table.from_pylist(rows, schema=pa.schema(fields))


def _meta(verdicts: pa.Table, line: BookInLine) -> dict[str, Any]:
    states = verdicts["state"].to_pylist()
    worn = verdicts["probability_worn"].to_numpy()
    acted = np.isin(states, [State.BOOK_IN.word, State.STAND_DOWN.word])
    return {
        "method": METHOD,
        "vehicles": len(states),
        "vehicles_by_state": {state.word: states.count(state.word) for state in State},
        # Each entry is wrong with the chance that its pump is not worn after all.
        "expected_false_entries": float((1.0 - worn[acted]).sum()),
        "book_in_line": asdict(line),
    }
