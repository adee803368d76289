"""What would have been said of a vehicle at past month ends, from what was known by then.

Worked out now: by today's method and with what the fleet teaches today, so that past and
present can be compared. What was really published then may have differed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, Repair, Repairs
from fleetdb.trend.book_in_line import BookInLine
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.following import Followed
from fleetdb.trend.judging import below_limit, count, in_a_row, that_count
from fleetdb.trend.rewinding import seen_at
from fleetdb.trend.series import FINDINGS_LATE_DAYS, years
from fleetdb.trend.states import Policy, State, ruled_states, states_of

Moments = NDArray[np.datetime64]
_LATE = np.timedelta64(FINDINGS_LATE_DAYS, "D")


@dataclass(frozen=True, slots=True)
class PastState:
    """The state of the pump fitted at the end of a month; ``at`` is the month's last moment."""

    at: datetime
    state: str
    pump_serial: str | None
    n_tests: int
    probability_worn: float
    probability_below_limit: float


def month_ends_before(moment: datetime, n: int) -> Moments:
    """Return the last ``n`` ends of months before ``moment`` (bare UTC), oldest first."""
    this_month = 12 * moment.year + moment.month - 1
    firsts = [
        datetime(month // 12, month % 12 + 1, 1)  # noqa: DTZ001 - bare UTC, as the trend's times
        for month in range(this_month - n + 1, this_month + 1)
    ]
    last_moments = [first - timedelta(microseconds=1) for first in firsts]
    return np.array(last_moments, dtype="datetime64[us]")


def past_states(
    each: Followed,
    moments: Moments,
    repaired_at: dict[Repair, Moments],
    failed_at: Moments,
    constants: FamilyConstants,
    limit: float,
    policy: Policy,
    line: BookInLine,
) -> tuple[PastState, ...]:
    """Return the states of one vehicle's pumps at ``moments``; of none, before its first.

    ``repaired_at`` and ``failed_at`` are when what of the vehicle was repaired and when a pump
    of it was found failed on the road.
    """
    pumps = each.series.pumps.to_pylist()
    told: list[PastState] = []
    for n, pump in enumerate(pumps):
        fitted_at = np.datetime64(pump["fitted_at"], "us")
        own = moments[moments >= fitted_at]
        if pump["ended_at"] is not None:
            own = own[own < np.datetime64(pump["ended_at"], "us")]
        if not len(own):
            continue
        performed = each.series.records["performed_at"].to_numpy().astype("datetime64[us]")
        performed = performed[each.series.offsets[n] : each.series.offsets[n + 1]]
        # As sql/pump_failures.sql has it.
        speaks_after = fitted_at + (_LATE if n > 0 else np.timedelta64(0, "D"))
        failures = np.sort(failed_at[failed_at > speaks_after])
        n_records = np.searchsorted(performed, own, side="right")
        last_at = np.where(n_records > 0, np.append(performed, fitted_at)[n_records - 1], fitted_at)
        seen = seen_at(
            each,
            n,
            n_records,
            years(own),
            _repaired_between(repaired_at, last_at, own),
            constants,
            limit,
            policy,
            failed_y=_last_failure_y(failures, own),
        )
        offsets, readings = seen.series.offsets, seen.series.readings
        states, _ = states_of(
            offsets,
            seen.records.p_worn,
            seen.records.p_below,
            readings.repaired,
            seen.pumps.p_worn,
            seen.pumps.p_below,
            seen.repaired_since,
            policy,
            line.book_in_from,
        )
        has_ratio = ~np.isnan(readings.ln_ratio)
        below = below_limit(seen.series, constants, limit)
        unanswered = _unanswered(failures, fitted_at, last_at, n_records, own)
        n_tests = count(has_ratio | ~np.isnan(readings.ln_build), offsets)
        states = ruled_states(
            states,
            n_tests,
            count(below, offsets),
            in_a_row(below, that_count(seen.series, seen.records, below), offsets),
            unanswered,
            policy,
        )
        p_worn = np.where(unanswered, 1.0, seen.pumps.p_worn)  # as in ``verdict``
        told += [
            PastState(
                at=own[m].astype(datetime).replace(tzinfo=UTC),
                state=State(int(states[m])).word,
                pump_serial=pump["pump_serial"],
                n_tests=int(n_tests[m]),
                probability_worn=float(p_worn[m]),
                probability_below_limit=float(seen.pumps.p_below[m]),
            )
            for m in range(len(own))
        ]
    return tuple(told)


def _last_failure_y(failures: Moments, until: Moments) -> Floats:
    """Return the last of some failures, in order, by each moment; NaN where there is none. [y]"""
    n_by_then = np.searchsorted(failures, until, side="right")
    return np.append(years(failures), np.nan)[n_by_then - 1]


def _repaired_between(
    repaired_at: dict[Repair, Moments], after: Moments, until: Moments
) -> Repairs:
    found = np.zeros(len(until), np.int64)
    for repair, moments in repaired_at.items():
        found[_any_between(moments, after, until)] |= repair
    return found


def _any_between(events: Moments, after: Moments, until: Moments) -> NDArray[np.bool_]:
    inside = (events[None, :] > after[:, None]) & (events[None, :] <= until[:, None])
    return np.any(inside, axis=1)


def _unanswered(
    failed_at: Moments,
    fitted_at: np.datetime64,
    last_at: Moments,
    n_records: NDArray[np.int64],
    own: Moments,
) -> NDArray[np.bool_]:
    """Return at which moments a failure of this pump has no later test."""
    # A test at the very moment of the failure does not answer it.
    answered_until = np.where(n_records > 0, last_at - np.timedelta64(1, "us"), fitted_at)
    return _any_between(failed_at, answered_until, own)
