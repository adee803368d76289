from __future__ import annotations

from datetime import UTC, datetime

import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.trend.backtest import month_ends, replay
from fleetdb.trend.pipeline import assess
from fleetdb.trend.verdict import SCHEMA
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import connect, record


def test_month_ends_are_the_last_instants_of_their_months() -> None:
    assert month_ends((2023, 11), (2024, 3)) == [
        datetime(2023, 11, 30, 23, 59, 59, 999_999, UTC),
        datetime(2023, 12, 31, 23, 59, 59, 999_999, UTC),
        datetime(2024, 1, 31, 23, 59, 59, 999_999, UTC),
        datetime(2024, 2, 29, 23, 59, 59, 999_999, UTC),
        datetime(2024, 3, 31, 23, 59, 59, 999_999, UTC),
    ]


def test_one_month_has_one_end() -> None:
    assert len(month_ends((2025, 6), (2025, 6))) == 1


def test_months_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(InvalidInputError, match="2024-05 is before --from 2024-06"):
        month_ends((2024, 6), (2024, 5))


def test_each_month_end_sees_only_what_was_known_by_then() -> None:
    healthy = [record("V1", 8 * n, 0.94) for n in range(7)]  # to 18 February
    dead = [record("V1", 61 + n, 0.4) for n in range(4)]  # from 2 March
    moments = month_ends((2024, 1), (2024, 3))
    told: list[int] = []
    with connect(test_records=healthy + dead) as connection:
        verdicts = replay(connection, moments, told=told.append)
    with connect(test_records=healthy) as connection:
        never_dead = replay(connection, moments[:2])

    assert verdicts.schema == SCHEMA
    assert [row["as_of"] for row in verdicts.to_pylist()] == [m.date() for m in moments]
    assert [row["n_tests"] for row in verdicts.to_pylist()] == [4, 7, 11]
    assert verdicts["state"].to_pylist() == ["sound", "sound", "stand_down"]
    assert verdicts.slice(0, 2).equals(never_dead)
    assert told == [1, 2, 3]


def test_a_replay_says_what_an_assessment_of_that_date_says() -> None:
    rows = Simulated(vehicles=12, tests=12, kits=3).rows()
    moments = month_ends((2025, 1), (2025, 3))
    with connect(**rows) as connection:
        replayed = replay(connection, moments).to_pylist()
        alone = [row for m in moments for row in assess(connection, m).verdicts.to_pylist()]

    assert len(replayed) == len(alone) == 36
    for one, other in zip(replayed, alone, strict=True):
        assert (one["vehicle"], one["as_of"]) == (other["vehicle"], other["as_of"])
        assert one["state"] == other["state"]
        assert one["probability_worn"] == pytest.approx(other["probability_worn"], abs=0.02)
        assert one["delivery_reserve"] == pytest.approx(other["delivery_reserve"], rel=0.02)


def test_months_before_any_vehicle_have_no_verdicts() -> None:
    with connect(test_records=[record("V1", 1, 0.9)]) as connection:
        assert replay(connection, month_ends((2020, 1), (2020, 2))).num_rows == 0
