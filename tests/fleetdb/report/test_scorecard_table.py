from __future__ import annotations

from datetime import date, datetime
from io import StringIO
from typing import Any

import polars as pl
from rich.console import Console

from fleetdb.report.scorecard_table import print_scorecard
from fleetdb.trend.scorecard import Scorecard

FAILURES = pl.DataFrame(
    {
        "vehicle": ["V1", "V2", "V3"],
        "pump_family": ["a", "a", "b"],
        "failed_at": [datetime(2025, 1, 1)] * 3,  # noqa: DTZ001
        "caught": [True, True, False],
        "notice_days": [60, 100, None],
        "leading_cause": ["pump_wear", "injector_leak", None],
    },
    schema_overrides={"notice_days": pl.Int64},
)
CALLS = pl.DataFrame(
    {
        "vehicle": ["V1", "V2", "V4", "V5"],
        "pump_family": ["a", "a", "a", "c"],
        "called_on": [date(2024, 10, 1)] * 4,
        "leading_cause": ["pump_wear", "injector_leak", "pump_wear", "pump_wear"],
        "outcome": ["right", "right", "false", "open"],
    }
)


def printed(card: Scorecard, width: int = 120) -> str:
    out = StringIO()
    print_scorecard(card, Console(file=out, width=width))
    return out.getvalue()


def row_of(text: str, name: str) -> list[Any]:
    [line] = [line for line in text.splitlines() if line.startswith(f"│ {name} ")]
    return [cell.strip() for cell in line.strip("│").split("│")]


def test_what_was_caught_missed_and_called_in_vain_is_told() -> None:
    text = " ".join(printed(Scorecard(FAILURES, CALLS, 50.0)).split())

    assert "could have called: 3" in text
    assert "ahead: 2" in text
    assert "not called: 1" in text
    assert "80 days" in text  # the median of 60 and 100
    assert "right 2, false 1 (2.0 per 100 pump-years), open 1" in text


def test_families_and_causes_have_a_row_each() -> None:
    text = printed(Scorecard(FAILURES, CALLS, 50.0))

    assert row_of(text, "a") == ["a", "2", "0", "80", "2", "1", "0"]
    assert row_of(text, "b")[:3] == ["b", "0", "1"]
    assert row_of(text, "c")[-3:] == ["0", "0", "1"]
    assert row_of(text, "pump_wear") == ["pump_wear", "1", "0", "60", "1", "1", "1"]
    assert row_of(text, "injector_leak")[:3] == ["injector_leak", "1", "0"]


def test_an_empty_scorecard_divides_by_nothing() -> None:
    text = printed(Scorecard(FAILURES.clear(), CALLS.clear(), 0.0))

    assert "could have called: 0" in text
    assert "notice" not in text.split("Calls to act")[0]
    assert "nan" not in text.lower()
