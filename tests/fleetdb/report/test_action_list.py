from __future__ import annotations

from datetime import date
from io import StringIO
from typing import Any

import polars as pl
import pytest
from rich.console import Console

from fleetdb.cautions import CAUTIONS
from fleetdb.report.action_list import by_when, print_action_list, urgent_first

ROW: dict[str, Any] = {
    "vehicle": "V1",
    "depot": "North",
    "state": "book_in",
    "reasons": "reaches 0.97 times the target",
    "probability_worn": 0.9,
    "probability_below_limit": 0.3,
    "horizon_days": 60.0,
    "as_of": date(2025, 1, 31),
    "limit_date_p10": date(2025, 3, 1),
    "limit_date_p50": date(2025, 6, 1),
}
SCHEMA = {
    "vehicle": pl.String,
    "depot": pl.String,
    "state": pl.String,
    "reasons": pl.String,
    "probability_worn": pl.Float64,
    "probability_below_limit": pl.Float64,
    "horizon_days": pl.Float64,
    "as_of": pl.Date,
    "limit_date_p10": pl.Date,
    "limit_date_p50": pl.Date,
}


def verdicts(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame([{**ROW, **row} for row in rows], schema=SCHEMA)


def printed(table: pl.DataFrame, limit: int | None = None, width: int = 120) -> str:
    out = StringIO()
    print_action_list(table, Console(file=out, width=width), limit)
    return out.getvalue()


FLEET = verdicts(
    {"vehicle": "V1", "state": "watch", "probability_worn": 0.99},
    {"vehicle": "V2", "state": "book_in", "probability_worn": 0.6},
    {"vehicle": "V3", "state": "stand_down", "probability_worn": 0.5},
    {"vehicle": "V4", "state": "sound"},
    {"vehicle": "V5", "state": "book_in", "probability_worn": 0.9},
    {"vehicle": "V6", "state": "unproven"},
)


def test_the_most_urgent_come_first_and_only_those_to_act_on() -> None:
    assert urgent_first(FLEET)["vehicle"].to_list() == ["V3", "V5", "V2", "V1"]
    assert urgent_first(FLEET).columns == FLEET.columns


def test_vehicles_equally_urgent_are_in_order_of_name() -> None:
    same = verdicts({"vehicle": "V9"}, {"vehicle": "V2"}, {"vehicle": "V5"})

    assert urgent_first(same)["vehicle"].to_list() == ["V2", "V5", "V9"]


def test_each_entry_says_which_vehicle_where_in_which_state_why_when_and_how_sure() -> None:
    text = printed(verdicts({}))

    for word in ("V1", "North", "book_in", "0.97", "2025-06-01", "2025-03-01", "90 %", "30 %"):
        assert word in text
    assert "60" in text


def test_counts_caution_and_expected_false_entries_are_told() -> None:
    text = " ".join(printed(FLEET).split())

    assert "6 vehicles" in text
    assert "2 book_in" in text
    # 0.4 + 0.1 + 0.5
    assert "1.0" in text
    assert " ".join(CAUTIONS) in text


def test_a_limit_shows_the_first_and_counts_the_rest() -> None:
    text = printed(FLEET, limit=1)

    assert "V3" in text
    assert "V5" not in text
    assert "3 more" in text


@pytest.mark.parametrize("table", [verdicts(), verdicts({"state": "sound"})])
def test_with_nothing_to_act_on_there_is_no_table_but_the_caution(table: pl.DataFrame) -> None:
    text = printed(table)

    assert "V1" not in text
    assert " ".join(CAUTIONS) in " ".join(text.split())


def test_names_are_shown_as_they_are_and_not_read_as_markup() -> None:
    text = printed(verdicts({"vehicle": "[red]V[/red]", "depot": "[b]N[/b]", "reasons": "[i]x"}))

    assert "[red]V[/red]" in text
    assert "[b]N[/b]" in text
    assert "[i]x" in text


def test_it_fits_a_narrow_terminal() -> None:
    long = verdicts({"reasons": "reaches 0.97 times the target; losing 20 % a year " * 3})

    assert max(len(line) for line in printed(long, width=80).splitlines()) <= 80


def test_by_when_is_now_for_a_pump_to_stand_down() -> None:
    assert by_when({**ROW, "state": "stand_down"}) == "now"


def test_by_when_is_now_for_a_limit_most_likely_reached() -> None:
    today = ROW["as_of"]

    assert by_when({**ROW, "limit_date_p10": today, "limit_date_p50": today}) == "now"
    assert by_when({**ROW, "limit_date_p10": today}) == "2025-06-01\n(now)"


def test_by_when_gives_the_even_and_the_early_date() -> None:
    assert by_when(ROW).startswith("2025-06-01")
    assert "2025-03-01" in by_when(ROW)


def test_by_when_does_not_invent_a_date() -> None:
    far = {**ROW, "limit_date_p50": None}
    never = {**far, "limit_date_p10": None}

    assert "2025-03-01" in by_when(far)
    assert "None" not in by_when(far)
    assert not any(c.isdigit() for c in by_when(never).replace("3 years", ""))
