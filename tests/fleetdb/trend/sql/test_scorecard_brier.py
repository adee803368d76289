from __future__ import annotations

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.sql.hindsight import month_ends, seen_later


def brier(stated: list[float]) -> dict:
    # Days 0 to 60 are known: not below, below, below.
    with seen_later(month_ends([1.2, 1.2, 1.2, 0.7], stated=[*stated, 0.9])) as connection:
        [row] = queries.answer(connection, "scorecard_brier").to_pylist()
    return row


def test_the_brier_score_is_the_mean_square_of_stated_less_observed() -> None:
    told = brier([0.2, 0.5, 0.9])

    assert told["brier"] == pytest.approx((0.2**2 + 0.5**2 + 0.1**2) / 3)
    assert (told["n"], told["left_out"]) == (3, 1)


def test_stating_the_base_rate_scores_what_the_base_rate_scores() -> None:
    told = brier([2 / 3] * 3)

    assert told["base_rate"] == pytest.approx(2 / 3)
    assert told["brier"] == pytest.approx(told["brier_of_base_rate"])


def test_a_prophet_scores_nought() -> None:
    assert brier([0.0, 1.0, 1.0])["brier"] == 0
