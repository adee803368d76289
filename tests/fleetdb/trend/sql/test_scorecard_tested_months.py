from __future__ import annotations

import math
from datetime import date

import pytest

from tests.fleetdb.trend.small_tables import FAMILY
from tests.fleetdb.trend.sql.hindsight import month_ends, on, seen_later


def margins(said, families=(FAMILY,)) -> dict[date, float]:
    with seen_later(said, families=families) as connection:
        rows = connection.sql("SELECT as_of, ln_margin FROM scorecard_tested_months").fetchall()
    return dict(rows)


def test_only_months_with_a_test_of_their_own_count() -> None:
    told = margins(month_ends([1.2, 0.9, 0.6], tested=[True, False, True]))

    assert told == {on(0): pytest.approx(math.log(1.5)), on(60): pytest.approx(math.log(0.75))}


def test_the_limit_is_the_one_in_force_at_the_month_end() -> None:
    later = {**FAMILY, "applies_from": on(45), "proof_ratio_limit": 0.6}

    told = margins(month_ends([1.2, 1.2, 1.2]), families=(FAMILY, later))

    assert told[on(30)] == pytest.approx(math.log(1.5))
    assert told[on(60)] == pytest.approx(math.log(2.0))


def test_a_month_end_without_an_estimate_is_no_witness() -> None:
    assert margins(month_ends([None, 1.2])).keys() == {on(30)}
