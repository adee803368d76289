from __future__ import annotations

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import FAMILY, connect, day


@pytest.mark.parametrize(("at", "limit"), [(-900, 0.8), (99, 0.8), (100, 0.85), (500, 0.85)])
def test_a_limit_is_in_force_from_its_day_on(at: float, limit: float) -> None:
    families = [
        {**FAMILY, "applies_from": day(100).date(), "proof_ratio_limit": 0.85},
        FAMILY,
        {**FAMILY, "pump_family": "other", "proof_ratio_limit": 0.7},
    ]
    with connect(pump_families=families) as connection:
        queries.keep(connection, "family_settings")
        got = queries.answer(connection, "limits_in_force", as_of=day(at)).to_pylist()

    assert {row["pump_family"]: row["proof_ratio_limit"] for row in got} == {
        "fam": limit,
        "other": 0.7,
    }
