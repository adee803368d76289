"""Stage 8, fleet-wide part: how sure a book-in must be, by what it brings and what it misses.

A pump is booked in at a probability of being worn above a line. With a line the same for
every fleet, one whose pumps are easy to tell would be given needless book-ins that find nothing
more, and one whose pumps are hard to tell (little in hand, cold engines) would miss half of those
that fail. So the line is the one that would have cost the fleet least in its own two years before
the running half-year: a needless book-in costs one, a worn pump missed costs so many of them as the
manager says (``Policy.needless_per_missed``); and of those that bring no more needless book-ins
than are put up with at all (``Policy.needless_per_100_vehicle_years``). Within the half-year it
stands: a line that moved with every record would book pumps in and out again.

Both are counted without findings, from probabilities. A pump booked in at probability p of
being worn is booked in needlessly with chance 1 - p, and a pump that never crossed the line, or
less than 30 days before it failed, is missed with the chance that it is worn: its last, or one if
it failed. Where later tests of the same pump, nothing repaired in between, say better what it was,
p is theirs: a fleet whose readings scatter in ways no model knows, and whose pumps so cross a line
and come back, is given a higher line. One that then failed on the road was no needless book-in
whatever was thought of it.

Were every pump tested once, the least cost would be at the line where p / (1 - p) is one over the
cost of a miss (the Bayes rule; J. O. Berger, Statistical Decision Theory, Springer 1985, ch. 4;
from memory). Pumps are tested again and again: a worn one crosses the higher line a little later
as well, a sound one gets a chance more to cross the lower one with each test, which is why the
counts are needed. Controlling the mean of 1 - p over what is acted on is the Bayesian
counterpart of Benjamini and Hochberg's rule (B. Efron, Large-Scale Inference, Cambridge 2010,
ch. 2 and 5; from memory); here it is held per vehicle-year, which a manager can weigh against the
shop's hours, and not per entry.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import pyarrow as pa
from numba import njit
from numpy.typing import NDArray

from fleetdb.trend.beliefs import Floats, Repairs
from fleetdb.trend.states import Policy

LINES = np.linspace(0.34, 0.9, 29)
"""Lines to choose from; further out, a line is not told apart from its neighbours."""
_LOOK_BACK_Y = 2.0
# A fleet of few vehicle-years leans on what generated fleets of several kinds showed: some 1.0
# needless book-ins per 100 healthy vehicle-years at 0.65, falling as (1 - line)^2, and pumps missed
# growing as line^2, to some 2.1 were nothing booked in.
_LEAN_ON_VEHICLE_YEARS = 50.0
_USUAL_NEEDLESS_AT, _USUAL_LINE = 1.0, 0.65
_USUAL_MISSED_AT_1 = 2.1
# A call so late gives no notice.
_LEAST_NOTICE_Y = 30.0 / 365.25
# Two more tests within a year or so say better than the one that crossed the line.
_FEWEST_LATER_TESTS, _LATER_WITHIN_Y = 2, 1.1

SCHEMA = pa.schema(
    [
        ("book_in_from", pa.float64()),
        ("needless_per_100_vehicle_years", pa.float64()),
        ("missed_per_100_vehicle_years", pa.float64()),
        ("healthy_vehicle_years", pa.float64()),
    ]
)


@dataclass(frozen=True)
class BookInLine:
    """The line in force and what it rests on."""

    book_in_from: float
    """Probability of being worn at which a pump is booked in. [-]"""
    needless_per_100_vehicle_years: float
    """What the line is expected to bring, per 100 vehicle-years of pumps not worn."""
    missed_per_100_vehicle_years: float
    """Worn pumps it is expected to leave where they are, likewise."""
    healthy_vehicle_years: float
    """Of the fleet's two years before the running half-year. [y]"""

    def table(self) -> pa.Table:
        """Return the line as a table of one row, as a snapshot publishes it."""
        return pa.Table.from_pylist([asdict(self)], schema=SCHEMA)

    @classmethod
    def of(cls, table: pa.Table) -> BookInLine:
        """Return the line of a published table."""
        return cls(**table.to_pylist()[0])


@dataclass(frozen=True)
class Walked:
    """Pumps of one family with what the filter thought at each record, sorted by pump and time."""

    offsets: NDArray[np.int64]
    """Pump ``n`` has the records ``offsets[n]`` to ``offsets[n + 1]``."""
    at_y: Floats
    repaired: Repairs
    """What was repaired since the test before."""
    p_worn: Floats
    failed_y: Floats
    """When each pump last failed on the road, else NaN. [y]"""
    end_y: Floats
    """When each pump was removed, infinity for one that is still fitted. [y]"""


@njit(cache=True, nogil=True)
def _in_hindsight(j, last, at_y, repaired, p_worn, failed_y, now_y):
    """Return the probability of being worn that the pump's end or later tests give, or its own."""
    if at_y[j] <= failed_y <= min(at_y[j] + _LATER_WITHIN_Y, now_y):
        return 1.0
    m = j
    while m + 1 < last and repaired[m + 1] == 0 and at_y[m + 1] <= at_y[j] + _LATER_WITHIN_Y:
        m += 1
    return p_worn[m] if m - j >= _FEWEST_LATER_TESTS else p_worn[j]


@njit(cache=True, nogil=True)
def _count(
    offsets,
    at_y,
    repaired,
    p_worn,
    failed_y,
    end_y,
    now_y,
    fewest_tests,
    until,
    lines,
    needless,
    missed,
):
    """Add to ``needless`` and ``missed`` per line; returns the years of pumps not worn."""
    healthy_y = 0.0
    since_y = now_y - _LOOK_BACK_Y
    for n in range(len(offsets) - 1):
        first, last = offsets[n], offsets[n + 1]
        while last > first and at_y[last - 1] > now_y:
            last -= 1
        if last == first:
            continue
        for j in range(first, last):
            leaves = at_y[j + 1] if j + 1 < last else min(end_y[n], now_y)
            healthy_y += max(leaves - max(at_y[j], since_y), 0.0) * (1.0 - p_worn[j])
        has_failed = since_y <= failed_y[n] <= now_y
        in_time_y = failed_y[n] - _LEAST_NOTICE_Y if has_failed else now_y
        for k in range(len(lines)):
            booked = in_time = False
            for j in range(first + fewest_tests - 1, last):
                # A repair that makes wear less likely answers a book-in, as in ``states``.
                stays = booked and p_worn[j] > until
                if stays and repaired[j] > 0:
                    stays = p_worn[j] >= p_worn[j - 1]
                now = stays or p_worn[j] >= lines[k]
                if now and not booked and at_y[j] >= since_y:
                    needless[k] += 1.0 - _in_hindsight(
                        j, last, at_y, repaired, p_worn, failed_y[n], now_y
                    )
                in_time = in_time or (now and at_y[j] <= in_time_y)
                booked = now
            if not in_time and at_y[last - 1] >= since_y:
                missed[k] += 1.0 if has_failed else p_worn[last - 1]
    return healthy_y


def book_in_line(families: list[Walked], now_y: float, policy: Policy) -> BookInLine:
    """Return the line of least cost among those that keep within the policy's allowance.

    No record or failure later than ``now_y`` is looked at; the beliefs at those before it
    still follow their kits' bias as it is known today. The last of ``LINES`` where none keeps
    within it. Pumps since removed count too: a pump booked in needlessly and replaced for it was a
    needless book-in all the same.
    """
    needless, missed = np.zeros(len(LINES)), np.zeros(len(LINES))
    healthy_y = 0.0
    for family in families:
        healthy_y += _count(
            family.offsets,
            family.at_y,
            family.repaired,
            family.p_worn,
            family.failed_y,
            family.end_y,
            now_y,
            policy.fewest_tests,
            policy.book_in_until,
            LINES,
            needless,
            missed,
        )
    years = healthy_y + _LEAN_ON_VEHICLE_YEARS
    usual_needless = _USUAL_NEEDLESS_AT * ((1.0 - LINES) / (1.0 - _USUAL_LINE)) ** 2
    usual_missed = _USUAL_MISSED_AT_1 * LINES**2
    per_100 = (100.0 * needless + _LEAN_ON_VEHICLE_YEARS * usual_needless) / years
    missed_per_100 = (100.0 * missed + _LEAN_ON_VEHICLE_YEARS * usual_missed) / years
    cost = per_100 + policy.needless_per_missed * missed_per_100
    within = per_100 <= policy.needless_per_100_vehicle_years
    chosen = int(np.argmin(np.where(within, cost, np.inf))) if within.any() else len(LINES) - 1
    return BookInLine(
        book_in_from=float(LINES[chosen]),
        needless_per_100_vehicle_years=float(per_100[chosen]),
        missed_per_100_vehicle_years=float(missed_per_100[chosen]),
        healthy_vehicle_years=float(healthy_y),
    )
