"""Stage 8, fleet-wide part: how sure a book-in must be, by the needless ones it would bring.

A pump is booked in at a probability of being worn above a line. With a line the same for
every fleet, a fleet whose pumps are hard to tell (little in hand, noisy kits) would be given
many needless book-ins and an easy one would be called later than it could be. So the line is
the lowest at which the fleet's own two years before the running half-year show no more needless
book-ins than the manager allows (``Policy.needless_per_100_vehicle_years``). Within the
half-year it stands: a line that moved with every record would book pumps in and out again.

A pump booked in at probability p of being worn is booked in needlessly with chance 1 - p, so
the needless book-ins a line would have brought are the sum of 1 - p over the pumps that
crossed it: no finding is needed. Where later tests of the same pump, nothing repaired in between,
say better what it was, p is theirs: a fleet whose readings scatter in ways no model knows, and
whose pumps so cross the line and come back, is given a higher line. One that then failed on the
road was no needless book-in whatever was thought of it: a fleet whose pumps fail more often than
the filter expects is given a lower line. Controlling the mean
of 1 - p over what is acted on is the Bayesian counterpart of Benjamini and Hochberg's rule
(B. Efron, Large-Scale Inference, Cambridge 2010, ch. 2 and 5; from memory); here it is held
per vehicle-year, which a manager can weigh against the shop's hours, and not per entry.
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
# A fleet of few vehicle-years leans on what generated fleets of several kinds showed: some
# 1.0 needless book-ins per 100 healthy vehicle-years at 0.65, falling as (1 - line)^2.
_LEAN_ON_VEHICLE_YEARS = 150.0
_USUAL_PER_100_AT, _USUAL_LINE, _USUAL_POWER = 1.0, 0.65, 2.0
# Two more tests within a year or so say better than the one that crossed the line.
_FEWEST_LATER_TESTS, _LATER_WITHIN_Y = 2, 1.1

SCHEMA = pa.schema(
    [
        ("book_in_from", pa.float64()),
        ("needless_per_100_vehicle_years", pa.float64()),
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
    offsets, at_y, repaired, p_worn, failed_y, end_y, now_y, fewest_tests, until, lines, needless
):
    """Add to ``needless`` per line; returns the years of pumps not worn."""
    healthy_y = 0.0
    since_y = now_y - _LOOK_BACK_Y
    for n in range(len(offsets) - 1):
        first, last = offsets[n], offsets[n + 1]
        while last > first and at_y[last - 1] > now_y:
            last -= 1
        for j in range(first, last):
            leaves = at_y[j + 1] if j + 1 < last else min(end_y[n], now_y)
            healthy_y += max(leaves - max(at_y[j], since_y), 0.0) * (1.0 - p_worn[j])
        for k in range(len(lines)):
            booked = False
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
                booked = now
    return healthy_y


def book_in_line(families: list[Walked], now_y: float, policy: Policy) -> BookInLine:
    """Return the line that keeps needless book-ins within the policy's allowance.

    No record or failure later than ``now_y`` is looked at; the beliefs at those before it
    still follow their kits' bias as it is known today. The last of ``LINES`` where none does. Pumps
    since removed count too: a pump booked in needlessly and replaced for it was a needless
    book-in all the same.
    """
    needless = np.zeros(len(LINES))
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
        )
    usual = _USUAL_PER_100_AT * ((1.0 - LINES) / (1.0 - _USUAL_LINE)) ** _USUAL_POWER
    seen = needless + _LEAN_ON_VEHICLE_YEARS * usual / 100.0
    per_100 = 100.0 * seen / (healthy_y + _LEAN_ON_VEHICLE_YEARS)
    within = np.flatnonzero(per_100 <= policy.needless_per_100_vehicle_years)
    chosen = int(within[0]) if len(within) else len(LINES) - 1
    return BookInLine(float(LINES[chosen]), float(per_100[chosen]), float(healthy_y))
