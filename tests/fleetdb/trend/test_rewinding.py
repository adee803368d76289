from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trend.following import Followed
from fleetdb.trend.pipeline import follow_vehicle
from fleetdb.trend.rewinding import seen_at
from tests.fleetdb.trend.small_tables import connect, day, pump, record

FALLING = [
    *(record("V1", at, 0.95, rate_bar_per_s=300.0) for at in (10, 60)),
    *(record("V1", 110 + 50 * n, ratio) for n, ratio in enumerate((0.94, 0.92, 0.88, 0.80, 0.7))),
]


def followed(as_of: float):
    with connect(test_records=FALLING, fitments=[pump("V1", 100)]) as connection:
        whole = follow_vehicle(connection, day(as_of), None, every_pump=True)
    (each,) = whole.followed
    family = each.series.pump_family
    return whole, each, whole.constants[family], whole.known.limits[family]


def test_a_moment_is_what_following_to_that_moment_gives() -> None:
    _, now, constants, limit = followed(400)
    then, before, _, _ = followed(230)
    moment_y = np.array([then.followed[0].series.readings.at_y[-1] + 20 / 365.25])
    assert before.series.n_pumps == 2

    seen = seen_at(
        now, 1, np.array([3]), moment_y, np.zeros(1, np.int64), constants, limit, then.policy
    )

    assert seen.pumps.p_worn[0] == pytest.approx(before.pumps.p_worn[1], rel=1e-6)
    assert seen.pumps.ln_reserve[0] == pytest.approx(before.pumps.ln_reserve[1], rel=1e-6)
    assert seen.records.p_worn == pytest.approx(before.records.p_worn[2:], rel=1e-6)


def test_each_moment_sees_its_own_records_only() -> None:
    whole, each, constants, limit = followed(400)
    n_records = np.array([0, 1, 5])
    at_y = each.series.readings.at_y[[2, 2, 6]]
    seen: Followed = seen_at(
        each, 1, n_records, at_y, np.zeros(3, np.int64), constants, limit, whole.policy
    )

    assert seen.series.offsets.tolist() == [0, 0, 1, 6]
    assert (
        seen.series.readings.at_y.tolist() == each.series.readings.at_y[[2, 2, 3, 4, 5, 6]].tolist()
    )
    assert seen.pumps.p_worn[2] > 0.9 > seen.pumps.p_worn[1]


def test_no_moment_is_no_pump() -> None:
    whole, each, constants, limit = followed(400)
    never, none = np.empty(0), np.empty(0, np.int64)
    seen = seen_at(each, 0, none, never, none, constants, limit, whole.policy)

    assert seen.series.n_pumps == 0
    assert len(seen.pumps.p_worn) == 0
