"""A fleet in numbers, against counting by hand."""

from __future__ import annotations

from datetime import datetime

import polars as pl
import pytest

from fleetdb.report.fleet_numbers import fleet_numbers
from fleetdb.trend.verdict import SCHEMA

NOON = datetime(2025, 7, 1, 12)  # noqa: DTZ001 - bare UTC, as published


def planned(*rows: tuple[str, float | None, datetime | None, int]) -> pl.DataFrame:
    made = [
        {"state": state, "probability_worn": worn, "last_test_at": tested, "overdue_days": late}
        for state, worn, tested, late in rows
    ]
    schema = pl.DataFrame(SCHEMA.empty_table()).schema
    return pl.DataFrame(made, schema={**schema, "overdue_days": pl.Int64})


def test_states_coverage_and_expected_false_are_counted() -> None:
    numbers = fleet_numbers(
        planned(
            ("stand_down", 0.9, NOON, 0),
            ("book_in", 0.6, NOON, 40),
            ("watch", 0.4, NOON, 0),
            ("sound", 0.0, NOON, 0),
            ("unproven", None, None, 0),
        )
    )
    assert list(numbers.by_state.items()) == [
        (state, 1) for state in ("stand_down", "book_in", "watch", "sound", "unproven")
    ]
    assert (numbers.vehicles, numbers.to_act_on, numbers.never_tested) == (5, 2, 1)
    # (1 - 0.9) + (1 - 0.6): those to act on only.
    assert numbers.expected_false == pytest.approx(0.5)
    # One is overdue, one was never tested.
    assert numbers.share_tested == pytest.approx(3 / 5)


def test_an_empty_fleet_has_no_share() -> None:
    numbers = fleet_numbers(planned())
    assert (numbers.vehicles, numbers.expected_false, numbers.share_tested) == (0, 0.0, None)
