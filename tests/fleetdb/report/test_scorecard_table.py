from __future__ import annotations

from datetime import date, datetime
from io import StringIO
from typing import Any

import polars as pl
from rich.console import Console

from fleetdb.report.scorecard_table import print_scorecard
from fleetdb.trend.scorecard import Calibration, Scorecard

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
        "cause_found": [True, False, None, None],
    }
)

CALIBRATION = Calibration(
    reliability=pl.DataFrame(
        {"tenth": [0, 5], "n": [90, 10], "stated": [0.02, 0.55], "observed": [0.01, 0.6]}
    ),
    n=100,
    left_out=7,
    base_rate=0.07,
    brier=0.02,
    brier_of_base_rate=0.0651,
    intervals_judged=20,
    intervals_covered=15,
    intervals_too_early=3,
    intervals_too_late=2,
)
NOTHING = Calibration(
    reliability=CALIBRATION.reliability.clear(),
    n=0,
    left_out=0,
    base_rate=None,
    brier=None,
    brier_of_base_rate=None,
    intervals_judged=0,
    intervals_covered=0,
    intervals_too_early=0,
    intervals_too_late=0,
)


def printed(card: Scorecard, width: int = 120) -> str:
    out = StringIO()
    print_scorecard(card, Console(file=out, width=width))
    return out.getvalue()


def row_of(text: str, name: str) -> list[Any]:
    [line] = [line for line in text.splitlines() if line.startswith(f"│ {name} ")]
    return [cell.strip() for cell in line.strip("│").split("│")]


def test_what_was_caught_missed_and_called_in_vain_is_told() -> None:
    text = " ".join(printed(Scorecard(FAILURES, CALLS, 50.0, CALIBRATION)).split())

    assert "could have called: 3" in text
    assert "ahead: 2" in text
    assert "not called: 1" in text
    # Quartiles of 60 and 100, by straight lines between them.
    assert "80 days in the median, half of them 70 to 90" in text
    assert "right 2, false 1 (2.0 per 100 pump-years), open 1" in text
    assert "Of the right calls, 1 named the part that was found worn" in text


def test_families_and_causes_have_a_row_each() -> None:
    text = printed(Scorecard(FAILURES, CALLS, 50.0, CALIBRATION))

    assert row_of(text, "a") == ["a", "2", "0", "80", "2", "1", "1", "0"]
    assert "70 to 90 │" in text
    assert row_of(text, "b")[:3] == ["b", "0", "1"]
    assert row_of(text, "c")[-4:] == ["0", "0", "0", "1"]
    assert row_of(text, "pump wear") == ["pump wear", "1", "0", "60", "1", "1", "1", "1"]
    assert row_of(text, "injector leak")[:3] == ["injector leak", "1", "0"]


def test_a_familys_name_is_no_markup() -> None:
    calls = CALLS.with_columns(pl.lit("[/b]x").alias("pump_family"))

    assert row_of(printed(Scorecard(FAILURES, calls, 50.0, CALIBRATION)), "[/b]x")[-1] == "1"


def test_probabilities_and_limit_dates_are_held_against_what_came() -> None:
    text = " ".join(printed(Scorecard(FAILURES, CALLS, 50.0, CALIBRATION)).split())

    assert "100 judged by later tests and failures, 7 left out" in text
    assert "Brier score 0.0200; stating the base rate of 0.070 each time would score 0.0651" in text
    assert "│ 0.5 │ 0.55 │ 0.60 │ 10 │" in text
    assert "20 intervals of 80 % judged, 75 % held the date; 3 times" in text


def test_an_empty_scorecard_divides_by_nothing() -> None:
    text = printed(Scorecard(FAILURES.clear(), CALLS.clear(), 0.0, NOTHING))

    assert "could have called: 0" in text
    assert "Notice" not in text
    assert "Brier" not in text
    assert "nan" not in text.lower()
