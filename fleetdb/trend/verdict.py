"""Stage 8: one row per vehicle, with its reasons in words a workshop would accept."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, PumpBelief, Repair, Repairs
from fleetdb.trend.cause import (
    CAUSES,
    LeakFigures,
    TraceEvidence,
    ln_loss_by_injectors,
    shares_of_belief,
)
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.filtering import FORECAST_DAYS
from fleetdb.trend.forecast import LIMIT_DATE_SHARES, UNSEEN_SHARE, dates_after, days_until
from fleetdb.trend.reasons import Figures, advice_for, reasons_for
from fleetdb.trend.states import Policy, State, ruled_states

# Percent a year with 95 % limits, and the chance of such a trend in level build rates.
BUILD_TREND = ("build_trend_pct_per_year", "build_trend_low", "build_trend_high", "build_trend_p")

SCHEMA = pa.schema(
    [
        ("as_of", pa.date32()),
        ("vehicle", pa.string()),
        ("pump_serial", pa.string()),
        ("fitted_at", pa.timestamp("us")),
        ("state", pa.string()),
        ("probability_below_limit", pa.float64()),
        ("horizon_days", pa.float64()),
        ("limit_date_p10", pa.date32()),
        ("limit_date_p50", pa.date32()),
        ("limit_date_p90", pa.date32()),
        ("proof_ratio", pa.float64()),
        ("proof_ratio_low", pa.float64()),
        ("proof_ratio_high", pa.float64()),
        ("delivery_reserve", pa.float64()),
        ("leading_cause", pa.string()),
        ("reasons", pa.string()),
        ("advice", pa.string()),
        ("depot", pa.string()),
        ("pump_family", pa.string()),
        ("n_tests", pa.int64()),
        ("last_test_at", pa.timestamp("us")),
        ("state_since", pa.timestamp("us")),
        ("probability_worn", pa.float64()),
        ("delivery_reserve_low", pa.float64()),
        ("delivery_reserve_high", pa.float64()),
        ("wear_pct_per_year", pa.float64()),
        ("limit_km_p10", pa.float64()),
        ("limit_km_p50", pa.float64()),
        ("limit_km_p90", pa.float64()),
        ("last_raw_proof_ratio", pa.float64()),
        ("last_odometer_km", pa.float64()),
        ("km_per_day", pa.float64()),
        *((f"share_{cause.value}", pa.float64()) for cause in CAUSES),
        ("leak_ml_per_min", pa.float64()),
        ("worst_cylinder", pa.int64()),
        ("worst_cylinder_times_others", pa.float64()),
        *((name, pa.float64()) for name in BUILD_TREND),
        ("hold_leak_times_usual", pa.float64()),
        ("weak_element", pa.int64()),
        ("weak_element_share", pa.float64()),
        ("regulator_departure_share", pa.float64()),
        # The day, perhaps past, until which a test would find the pump below its limit with
        # UNSEEN_SHARE at most; that of the last test where it was so already then.
        ("limit_date_p02", pa.date32()),
    ]
)


@dataclass(frozen=True)
class PumpFacts:
    """What SQL says of each pump, aligned with the filter's pumps; dictionaries of arrays."""

    pumps: dict[str, NDArray[Any]]
    tests: dict[str, NDArray[Any]]
    leaks: dict[str, NDArray[Any]]
    builds: dict[str, NDArray[Any]]
    traces: dict[str, NDArray[Any]]
    ln_kit: Floats
    sd_ln_kit: Floats
    kit_of_last_test: list[str | None]
    set_aside: NDArray[np.int64]
    below_limit_tests: NDArray[np.int64]
    below_in_a_row: NDArray[np.int64]
    """Proofs in a row, the last included, below the limit at reference conditions."""
    repaired_since: Repairs
    """What was repaired after the last test."""
    p_below_last: Floats
    """Probability of being below the limit at the last test, NaN without one."""


def verdict_rows(
    as_of: datetime,
    facts: PumpFacts,
    belief: PumpBelief,
    states: NDArray[np.int64],
    since: NDArray[np.datetime64],
    constants: FamilyConstants,
    limit: float,
    policy: Policy,
    trend_p: float,
) -> pa.Table:
    """Return the verdicts of one family's present pumps, in the columns of ``SCHEMA``.

    A trend of the build rate is told of where its p-value is at most ``trend_p``. A sound pump
    that has even chances to outlast the forecast has no limit dates; the day until which it need
    not be tested (``limit_date_p02``) it has.
    """
    n = len(states)
    p_limit = np.maximum(belief.p_below, _at_day(belief.p_below_at, policy.horizon_days))
    leak = LeakFigures(
        total_ml_per_min=facts.leaks["leak_ml_per_min"],
        usual_ml_per_min=facts.leaks["usual_leak_ml_per_min"],
    )
    ln_loss = constants.ln_reserve_new - belief.ln_reserve[:, 1]
    lost_by_leak = ln_loss_by_injectors(leak)
    evidence = TraceEvidence(
        hold_leak_ml_per_min=facts.traces["hold_leak_ml_per_min"],
        usual_hold_leak_ml_per_min=facts.traces["usual_hold_leak_ml_per_min"],
        weak_element_share=facts.traces["weak_element_share"],
        regulator_departure_share=facts.traces["regulator_departure_share"],
    )
    shares = shares_of_belief(ln_loss, leak, facts.sd_ln_kit, belief.p_starved, evidence)
    leading = np.argmax(shares, axis=1)
    n_tests = np.nan_to_num(facts.tests["n_tests"].astype(float)).astype(np.int64)
    failed_at, last_test_at = facts.tests["failed_at"], facts.tests["last_test_at"]
    # NaT is after nothing: a pump without a test has not answered its failure.
    unanswered = ~np.isnat(failed_at) & ~(last_test_at > failed_at)
    states = ruled_states(
        states,
        n_tests,
        facts.below_limit_tests,
        facts.below_in_a_row,
        unanswered,
        policy,
    )
    # Whatever went wrong: what nothing is known of is not sound.
    states = np.where(np.isnan(belief.p_worn) & ~unanswered, State.UNPROVEN, states)
    # A rule's state is none that a test brought: a failure did, or the tests that are too few.
    since = np.where(unanswered, failed_at.astype("datetime64[us]"), since)
    since = np.where(states == State.UNPROVEN, facts.pumps["fitted_at"], since)
    # A failure on the road leaves nothing to be thought of that pump.
    p_worn = np.where(unanswered, 1.0, belief.p_worn)
    days = [
        days_until(share, belief.p_below, belief.p_below_at, np.array(FORECAST_DAYS))
        for share in LIMIT_DATE_SHARES
    ]
    # The early date of a pump that will most likely outlast the forecast is its family's, not its
    # own: of those that come true, most come before it.
    undated = (states == State.SOUND) & np.isnan(days[LIMIT_DATE_SHARES.index(0.5)])
    days = [np.where(undated, np.nan, when) for when in days]
    ratio, reserve = np.exp(belief.ln_ratio), np.exp(belief.ln_reserve)
    # Graduated glasses show nothing of little: infinite over none, NaN where all have none.
    with np.errstate(divide="ignore", invalid="ignore"):
        times_others = facts.leaks["worst_ml_per_min"] / facts.leaks["others_ml_per_min"]
    limit_km = {
        f"limit_km_p{round(100 * share)}": facts.tests["km_now"] + facts.tests["km_per_day"] * when
        for share, when in zip(LIMIT_DATE_SHARES, days, strict=True)
    }
    reasons, advice = [], []
    for i in range(n):
        figures = Figures(
            state=State(int(states[i])),
            n_tests=int(n_tests[i]),
            last_test_at=_moment(facts.tests["last_test_at"][i]),
            as_of=as_of,
            limit=limit,
            reserve=float(reserve[i, 1]),
            reserve_low=float(reserve[i, 0]),
            reserve_high=float(reserve[i, 2]),
            wear_per_y=float(belief.wear_per_y[i]),
            cause=CAUSES[int(leading[i])],
            lost=max(-math.expm1(-ln_loss[i]), 0.0),
            lost_by_leak=-math.expm1(-lost_by_leak[i]),
            leak_times_usual=float(leak.times_usual[i]),
            worst_cylinder=_whole(facts.leaks["worst_cylinder"][i]),
            worst_times_others=float(times_others[i]),
            kit=facts.kit_of_last_test[i],
            ln_kit=float(facts.ln_kit[i]),
            sd_ln_kit=float(facts.sd_ln_kit[i]),
            set_aside=int(facts.set_aside[i]),
            below_in_a_row=int(facts.below_in_a_row[i]),
            failed_at=_moment(facts.tests["failed_at"][i]),
            unanswered=bool(unanswered[i]),
            repaired=Repair(int(facts.repaired_since[i])),
            build_pct_per_y=float(facts.builds["build_trend_pct_per_year"][i]),
            build_p=float(facts.builds["build_trend_p"][i]),
            notable_p=trend_p,
            hold_times_usual=float(evidence.hold_times_usual[i]),
            weak_element=_whole(facts.traces["weak_element"][i]),
            weak_element_share=float(evidence.weak_element_share[i]),
            regulator_departure=float(evidence.regulator_departure_share[i]),
            build_tests=_whole(facts.builds["build_trend_tests"][i]),
        )
        reasons.append("; ".join(reasons_for(figures)))
        advice.append(advice_for(figures))
    no_test = n_tests == 0
    columns: dict[str, Any] = {
        "as_of": [as_of.date()] * n,
        "vehicle": facts.pumps["vehicle"],
        "pump_serial": facts.pumps["pump_serial"],
        "fitted_at": facts.pumps["fitted_at"],
        "state": [State(int(s)).word for s in states],
        "probability_below_limit": p_limit,
        "horizon_days": np.full(n, policy.horizon_days),
        **{
            f"limit_date_p{round(100 * share)}": dates_after(as_of, when)
            for share, when in zip(LIMIT_DATE_SHARES, days, strict=True)
        },
        "proof_ratio": np.where(no_test, np.nan, ratio[:, 1]),
        "proof_ratio_low": np.where(no_test, np.nan, ratio[:, 0]),
        "proof_ratio_high": np.where(no_test, np.nan, ratio[:, 2]),
        "delivery_reserve": np.where(no_test, np.nan, reserve[:, 1]),
        "leading_cause": [
            CAUSES[int(leading[i])].value if states[i] >= State.WATCH else None for i in range(n)
        ],
        "reasons": reasons,
        "advice": advice,
        "depot": facts.pumps["depot"],
        "pump_family": facts.pumps["pump_family"],
        "n_tests": n_tests,
        "last_test_at": facts.tests["last_test_at"],
        "state_since": since,
        "probability_worn": p_worn,
        "delivery_reserve_low": np.where(no_test, np.nan, reserve[:, 0]),
        "delivery_reserve_high": np.where(no_test, np.nan, reserve[:, 2]),
        "wear_pct_per_year": 100 * -np.expm1(-belief.wear_per_y),
        **limit_km,
        "last_raw_proof_ratio": facts.tests["last_raw_proof_ratio"],
        "last_odometer_km": facts.tests["last_odometer_km"],
        "km_per_day": facts.tests["km_per_day"],
        **{f"share_{cause.value}": shares[:, k] for k, cause in enumerate(CAUSES)},
        "leak_ml_per_min": facts.leaks["leak_ml_per_min"],
        "worst_cylinder": facts.leaks["worst_cylinder"],
        "worst_cylinder_times_others": times_others,
        **{name: facts.builds[name] for name in BUILD_TREND},
        "hold_leak_times_usual": evidence.hold_times_usual,
        "weak_element": facts.traces["weak_element"],
        "weak_element_share": evidence.weak_element_share,
        "regulator_departure_share": evidence.regulator_departure_share,
        "limit_date_p02": dates_after(as_of, _days_until_unseen(as_of, facts, belief)),
    }
    return pa.table(
        [pa.array(columns[f.name], type=f.type, from_pandas=True) for f in SCHEMA], schema=SCHEMA
    )


def _days_until_unseen(as_of: datetime, facts: PumpFacts, belief: PumpBelief) -> Floats:
    """Return the days from ``as_of``, negative if past, until ``UNSEEN_SHARE`` is reached.

    Looked for from the last test on, so that the day stays where it is as time passes it.
    """
    elapsed: NDArray[Any] = np.datetime64(as_of, "us") - facts.tests["last_test_at"]
    since = np.nan_to_num(elapsed / np.timedelta64(1, "D"))
    return (
        days_until(
            UNSEEN_SHARE,
            np.where(np.isnan(facts.p_below_last), belief.p_below, facts.p_below_last),
            np.column_stack([belief.p_below, belief.p_below_at]),
            np.column_stack([since, since[:, None] + np.array(FORECAST_DAYS)]),
        )
        - since
    )


def _at_day(p_below_at: Floats, day: float) -> Floats:
    return np.array([np.interp(day, FORECAST_DAYS, row) for row in p_below_at])


def _moment(value: Any) -> datetime | None:
    return None if np.isnat(value) else value.astype("datetime64[us]").astype(datetime)


def _whole(value: float) -> int | None:
    return None if math.isnan(value) else int(value)
