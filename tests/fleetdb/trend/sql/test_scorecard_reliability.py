from __future__ import annotations

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.sql.hindsight import month_ends, seen_later


def test_month_ends_are_counted_in_tenths_of_what_they_stated() -> None:
    # Days 0 to 90 are known; the pump is below from day 120 on, so from day 60 within 60 days.
    said = month_ends([1.2] * 4 + [0.7, 0.7], stated=[0.0, 0.099, 0.1, 1.0, 0.5, 0.5])
    with seen_later(said) as connection:
        rows = queries.answer(connection, "scorecard_reliability").to_pylist()

    assert rows == [
        {"tenth": 0, "n": 2, "stated": pytest.approx(0.0495), "observed": 0.0},
        {"tenth": 1, "n": 1, "stated": pytest.approx(0.1), "observed": 1.0},
        {"tenth": 5, "n": 1, "stated": pytest.approx(0.5), "observed": 1.0},
        {"tenth": 9, "n": 1, "stated": pytest.approx(1.0), "observed": 1.0},
    ]
