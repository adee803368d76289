from __future__ import annotations

import polars as pl
import pytest

from fleetdb.trend.scorecard import Scorecard, scorecard
from tests.fleetdb.trend.said import verdicts
from tests.fleetdb.trend.small_tables import Row, connect, finding

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
    assert card.median_notice_days == 120
    assert card.pump_years == pytest.approx(5 * len(MONTHS) / 12)


def test_the_figures_can_be_told_by_family() -> None:
    rows = {row["pump_family"]: row for row in whole().by("pump_family").to_dicts()}

    assert rows["a"]["caught"] == 1
    assert rows["a"]["missed"] == 1
    assert rows["a"]["right_calls"] == 1
    assert rows["a"]["median_notice_days"] == 120
    assert rows["fam"]["false_calls"] == 1
    assert rows["b"]["open_calls"] == 1
    assert set(rows) == {"a", "b", "fam"}


def test_the_figures_can_be_told_by_cause_and_a_missed_failure_has_none() -> None:
    rows = {row["leading_cause"]: row for row in whole().by("leading_cause").to_dicts()}

    assert rows["pump_wear"]["caught"] == 1
    assert rows["pump_wear"]["false_calls"] == 1
    assert rows[None]["missed"] == 1


def test_without_failures_and_calls_there_is_no_notice() -> None:
    card = scored(said("V1", None), findings=[])

    assert (card.caught, card.missed, card.median_notice_days) == (0, 0, None)
    assert card.calls_by_outcome() == {"right": 0, "false": 0, "open": 0}
    assert card.by("pump_family").height == 0


def test_the_connection_is_left_as_it_was() -> None:
    with connect(findings=[]) as connection:
        scorecard(connection, said("V1", None).to_arrow())
        names = {row[0] for row in connection.execute("SHOW TABLES").fetchall()}

    assert "verdicts" not in names
