from __future__ import annotations

import polars as pl
import pytest

from fleetdb.records.trend_schemas import TREND_SCHEMAS
from fleetdb.trend.scorecard import Quartiles, Scorecard, scorecard
from tests.fleetdb.trend.said import verdicts
from tests.fleetdb.trend.small_tables import Row, connect, day, finding

MONTHS = range(0, 481, 30)


def scored(*parts: pl.DataFrame, findings: list[Row]) -> Scorecard:
    with connect(findings=findings) as connection:
        return scorecard(connection, pl.concat(parts).to_arrow())


def said(name: str, called: range | None, family: str = "fam") -> pl.DataFrame:
    states = {at: "book_in" if called and at in called else "sound" for at in MONTHS}
    return verdicts(states, name, family=family)


def whole() -> Scorecard:
    """Return: V1 caught, V2 missed, V3 called in vain, V4 never called, V5 called lately."""
    return scored(
        said("V1", range(180, 481, 30), "a"),
        said("V2", None, "a"),
        said("V3", range(30, 61, 30)),
        said("V4", None),
        said("V5", range(480, 481), "b"),
        findings=[finding("V1", 300, "failed_on_road"), finding("V2", 300, "failed_on_road")],
    )


def test_failures_are_caught_or_missed_and_calls_right_false_or_open() -> None:
    card = whole()

    assert (card.caught, card.missed) == (1, 1)
    assert card.calls_by_outcome() == {"right": 1, "false": 1, "open": 1}
    assert card.notice_days == Quartiles(120, 120, 120)
    assert card.false_per_100_pump_years == pytest.approx(100 / (5 * len(MONTHS) / 12))
    assert card.pump_years == pytest.approx(5 * len(MONTHS) / 12)


def test_the_figures_can_be_told_by_family() -> None:
    rows = {row["pump_family"]: row for row in whole().by("pump_family").to_dicts()}

    assert rows["a"]["caught"] == 1
    assert rows["a"]["missed"] == 1
    assert rows["a"]["right_calls"] == 1
    assert rows["a"]["notice_days_p50"] == 120
    assert rows["fam"]["false_calls"] == 1
    assert rows["b"]["open_calls"] == 1
    assert set(rows) == {"a", "b", "fam"}


def test_the_figures_can_be_told_by_cause_and_a_missed_failure_has_none() -> None:
    rows = {row["leading_cause"]: row for row in whole().by("leading_cause").to_dicts()}

    assert rows["pump_wear"]["caught"] == 1
    assert rows["pump_wear"]["false_calls"] == 1
    assert rows["pump_wear"]["cause_found_calls"] == 1
    assert whole().causes_found == 1
    assert rows[None]["missed"] == 1


def test_without_failures_and_calls_there_is_no_notice() -> None:
    card = scored(said("V1", None), findings=[])

    assert (card.caught, card.missed, card.notice_days) == (0, 0, None)
    assert (card.calibration.n, card.calibration.brier) == (0, None)
    assert card.calibration.interval_share is None
    assert card.calls_by_outcome() == {"right": 0, "false": 0, "open": 0}
    assert card.by("pump_family").height == 0


def test_the_connection_is_left_as_it_was() -> None:
    with connect(findings=[]) as connection:
        scorecard(connection, said("V1", None).to_arrow())
        names = {row[0] for row in connection.execute("SHOW TABLES").fetchall()}

    assert names == {*TREND_SCHEMAS, "trend_settings"}


def month_ends(reserves: list[float], probabilities: list[float], name: str = "V1") -> pl.DataFrame:
    """Return month ends 30 days apart with a test on each, limit 0.8."""
    days = range(0, 30 * len(reserves), 30)
    return verdicts(
        dict.fromkeys(days, "sound"),
        name,
        delivery_reserve=reserves,
        probability_below_limit=probabilities,
        last_test_at=[day(at) for at in days],
    )


def test_stated_probabilities_are_held_against_hindsight() -> None:
    falls = month_ends([1.2, 1.0, 0.9, 0.7, 0.6], [0.05, 0.3, 0.9, 1.0, 1.0])
    holds = month_ends([1.2, 1.2, 1.2, 1.2, 1.2], [0.05, 0.05, 0.1, 0.1, 0.1], "V2")

    told = scored(falls, holds, findings=[]).calibration

    # V1 from day 30 on is below within 60 days (and known below on day 90 by day 60's own
    # horizon); day 90's own has day 120 in it, day 120 nothing. V2: days 0, 30 and 60.
    assert (told.n, told.left_out) == (4 + 3, 3)
    assert told.base_rate == pytest.approx(3 / 7)
    assert told.reliability.to_dicts() == [
        {"tenth": 0, "n": 3, "stated": pytest.approx(0.05), "observed": 0.0},
        {"tenth": 1, "n": 1, "stated": pytest.approx(0.1), "observed": 0.0},
        {"tenth": 3, "n": 1, "stated": pytest.approx(0.3), "observed": 1.0},
        {"tenth": 9, "n": 2, "stated": pytest.approx(0.95), "observed": 1.0},
    ]
    errors = [0.05, 0.7, 0.1, 0.0, 0.05, 0.05, 0.1]
    assert told.brier == pytest.approx(sum(e**2 for e in errors) / 7)
    assert told.brier_of_base_rate == pytest.approx(3 / 7 * 4 / 7)
