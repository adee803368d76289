"""A fleet in numbers, against counting by hand."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from fleetdb.report.fleet_numbers import fleet_numbers
from fleetdb.trend.verdict import SCHEMA

NOON = datetime(2025, 7, 1, 12)  # noqa: DTZ001 - bare UTC, as published


def verdicts(*rows: tuple[str, float | None, datetime | None]) -> pl.DataFrame:
    made = [
        {"state": state, "probability_worn": worn, "last_test_at": tested}
        for state, worn, tested in rows
    ]
    schema = pl.DataFrame(SCHEMA.empty_table()).schema
    return pl.DataFrame(made, schema=schema)


def test_states_coverage_and_expected_false_are_counted() -> None:
    old = NOON.replace(year=2024)
    numbers = fleet_numbers(
        verdicts(
            ("stand_down", 0.9, NOON),
            ("book_in", 0.6, old),
            ("watch", 0.4, NOON),
            ("sound", 0.0, NOON),
            ("unproven", None, None),
        ),
        NOON.replace(tzinfo=UTC),
    )
    assert list(numbers.by_state.items()) == [
        (state, 1) for state in ("stand_down", "book_in", "watch", "sound", "unproven")
    ]
    assert (numbers.vehicles, numbers.to_act_on, numbers.never_tested) == (5, 2, 1)
    # (1 - 0.9) + (1 - 0.6): those to act on only.
    assert numbers.expected_false == pytest.approx(0.5)
    assert numbers.share_tested == pytest.approx(3 / 5)


def test_an_empty_fleet_has_no_share() -> None:
    numbers = fleet_numbers(verdicts(), NOON.replace(tzinfo=UTC))
    assert (numbers.vehicles, numbers.expected_false, numbers.share_tested) == (0, 0.0, None)
