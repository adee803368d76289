"""Pumps that were followed, judged: what SQL says of them beside the filter, and the verdicts."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend import discoveries, queries
from fleetdb.trend.aligned import aligned
from fleetdb.trend.beliefs import RecordBelief
from fleetdb.trend.book_in_line import BookInLine
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.following import Followed
from fleetdb.trend.known import Known
from fleetdb.trend.second_opinion import Measured, second_opinions
from fleetdb.trend.series import Series
from fleetdb.trend.states import Policy, states_of
from fleetdb.trend.verdict import SCHEMA, PumpFacts, verdict_rows

_RECENT_LEAK_DAYS = 400
BOTCHED = 0.5
"""Probability of being botched above which a reading is said to be set aside."""


def judge(
    connection: queries.Connection,
    known: Known,
    followed: list[Followed],
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
        "leaks": queries.answer_from(
            connection,
            "readings WHERE leak_cylinders IS NOT NULL",
            "leak_by_pump",
            as_of=as_of,
            recent_days=_RECENT_LEAK_DAYS,
        ),
        "traces": queries.answer_from(
            connection,
            "trace_figures",
            "trace_evidence",
            as_of=as_of,
            recent_days=_RECENT_LEAK_DAYS,
        ),
        **second_opinions(
            connection,
            [Measured(each.series, each.pumps.ln_reserve[:, 1]) for each in followed],
            constants,
            as_of,
        ),
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
            series.readings.repaired,
            pumps.p_worn,
            pumps.p_below,
            each.repaired_since,
            policy,
            line.book_in_from,
        )
        facts = _facts(each, answers, limit, own, known.kit_names)
        parts.append(
            verdict_rows(
                as_of,
                facts,
                pumps,
                states,
                _since(series, since_record),
                own,
                limit,
                policy,
                trend_p,
            )
        )
    return (pa.concat_tables(parts) if parts else SCHEMA.empty_table()), trend_p


def _facts(
    each: Followed,
    answers: dict[str, pa.Table],
    limit: float,
    constants: FamilyConstants,
    kit_names: list[str],
) -> PumpFacts:
    series, records = each.series, each.records
    ids = series.pumps["pump_id"].to_numpy()
    tests = {
        **aligned(answers["tests"], ids),
        "failed_at": series.pumps["failed_at"].to_numpy(),
        **aligned(answers["pace"], ids),
    }
    below = below_limit(series, constants, limit)
    botched = set_aside(records)
    last = series.offsets[1:] - 1
    has = np.diff(series.offsets) > 0
    ln_kit = np.zeros(series.n_pumps)
    ln_kit[has] = series.readings.ln_kit[last[has]]
    sd_ln_kit = np.zeros(series.n_pumps)
    sd_ln_kit[has] = np.sqrt(series.readings.var_ln_kit[last[has]])
    p_below_last = np.full(series.n_pumps, np.nan)
    p_below_last[has] = records.p_below[last[has]]
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
        leaks=aligned(answers["leaks"], ids),
        builds=aligned(answers["builds"], ids),
        traces=aligned(answers["traces"], ids),
        ln_kit=ln_kit,
        sd_ln_kit=sd_ln_kit,
        kit_of_last_test=kit_of_last,
        set_aside=count(botched, series.offsets),
        below_limit_tests=count(below, series.offsets),
        p_below_last=p_below_last,
        below_in_a_row=in_a_row(below, that_count(series, records, below), series.offsets),
        repaired_since=each.repaired_since,
    )


def set_aside(records: RecordBelief) -> NDArray[np.bool_]:
    """Return which records had a reading that is taken to be botched."""
    return (records.p_botched_ratio > BOTCHED) | (records.p_botched_build > BOTCHED)


def below_limit(series: Series, constants: FamilyConstants, limit: float) -> NDArray[np.bool_]:
    """Return which records' proofs are below the limit at reference conditions."""
    readings = series.readings
    ln_viscosity = readings.ln_viscosity + constants.winter_fuel * readings.season
    shift = readings.ln_speed + constants.viscosity_power * ln_viscosity
    # A hot or slow test is brought to reference conditions; a cold or fast one may be capped.
    at_reference = readings.ln_ratio - readings.ln_kit - np.minimum(shift, 0.0)
    return (at_reference < math.log(limit)) & (readings.slipped == 0)


def that_count(
    series: Series, records: RecordBelief, below: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return which records' proofs make or end a run below the limit.

    A proof thought botched that reads well ends none: it says nothing. One that reads badly
    counts, since such runs are what the filter's opinion must not explain away.
    """
    good_and_botched = ~below & (records.p_botched_ratio > BOTCHED)
    measured = ~np.isnan(series.readings.ln_ratio) & (series.readings.slipped == 0)
    return measured & ~good_and_botched


def count(flags: NDArray[np.bool_], offsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return how many of each pump's records have the flag."""
    until = np.concatenate([[0], np.cumsum(flags)])
    return until[offsets[1:]] - until[offsets[:-1]]


def in_a_row(
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


def _since(series: Series, since_record: NDArray[np.int64]) -> NDArray[np.datetime64]:
    """Return when the test was that brought each state: the last one, where time did since."""
    performed = series.records["performed_at"].to_numpy()
    since = series.pumps["fitted_at"].to_numpy().astype("datetime64[us]").copy()
    has = np.diff(series.offsets) > 0
    record = np.where((since_record == -2) & has, series.offsets[1:] - 1, since_record)
    since[record >= 0] = performed[record[record >= 0]]
    return since
