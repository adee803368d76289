from __future__ import annotations

from datetime import date, datetime
from io import StringIO
from typing import Any

from rich.console import Console

from fleetdb.cautions import CAUTIONS
from fleetdb.report.verdict_text import print_verdict

ROW: dict[str, Any] = {
    "as_of": date(2025, 1, 31),
    "pump_serial": "P-1",
    "fitted_at": datetime(2024, 5, 6),  # noqa: DTZ001
    "state": "book_in",
    "reasons": "reaches 0.97 times the target; losing 20 % a year",
    "n_tests": 7,
    "horizon_days": 60.0,
    "probability_worn": 0.9,
    "probability_below_limit": 0.3,
    "limit_date_p10": date(2025, 3, 1),
    "limit_date_p50": date(2025, 6, 1),
    "advice": "Book in before the next planned visit.",
}


def printed(row: dict[str, Any] | None, vehicle: str = "V1") -> str:
    out = StringIO()
    print_verdict(vehicle, row, Console(file=out, width=200))
    return out.getvalue()


def test_everything_is_told_each_reason_on_its_own_line() -> None:
    text = printed(ROW)

    for word in (
        "P-1",
        "2024-05-06",
        "2025-01-31",
        "book_in",
        "90 %",
        "30 %",
        "2025-06-01",
        "2025-03-01",
    ):
        assert word in text
    lines = [line.strip(" -") for line in text.splitlines()]
    assert "reaches 0.97 times the target" in lines
    assert "losing 20 % a year" in lines
    assert ROW["advice"] in text
    assert " ".join(CAUTIONS) in " ".join(text.split())


def test_a_pump_without_tests_or_serial_has_no_probabilities() -> None:
    nothing = {**ROW, "n_tests": 0, "pump_serial": None, "limit_date_p10": None}
    text = printed({**nothing, "limit_date_p50": None})

    assert "%" not in text.replace("20 % a year", "")
    assert "None" not in text


def test_a_far_limit_date_is_not_printed_as_none() -> None:
    assert "None" not in printed({**ROW, "limit_date_p50": None})


def test_a_pump_at_its_limit_already_is_given_no_dates() -> None:
    text = printed({**ROW, "limit_date_p10": ROW["as_of"], "limit_date_p50": ROW["as_of"]})

    assert "Most likely at the limit by now" in text
    assert "even chances" not in text

    sooner = printed({**ROW, "limit_date_p10": ROW["as_of"]})
    assert "by 2025-06-01 (even chances), with one chance in ten by today" in sooner


def test_a_vehicle_not_in_service_yet_says_so() -> None:
    assert "not in service" in printed(None)


def test_names_are_not_read_as_markup() -> None:
    assert "[red]V[/red]" in printed(ROW, "[red]V[/red]")
