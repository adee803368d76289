from __future__ import annotations

from datetime import UTC, datetime

import pytest

from api.errors import ParameterError
from api.months import months_query


def test_months_are_read_from_year_and_month() -> None:
    assert months_query("2023-11", "2024-02") == ((2023, 11), (2024, 2))
    assert months_query("2024-02", "2024-02") == ((2024, 2), (2024, 2))


def test_left_out_they_are_the_last_24_whole_months() -> None:
    first, last = months_query(None, None)
    now = datetime.now(UTC)

    assert 12 * last[0] + last[1] == 12 * now.year + now.month - 1
    assert (12 * last[0] + last[1]) - (12 * first[0] + first[1]) == 23
    assert months_query(None, "2024-01") == ((2022, 2), (2024, 1))


@pytest.mark.parametrize("text", ["2024", "2024-13", "2024-00", "2024-1", "٢٠٢٤-٠١", "24-01", ""])
@pytest.mark.parametrize("parameter", ["from", "to"])
def test_what_is_no_month_is_refused_by_name(parameter: str, text: str) -> None:
    given = {"from": "2024-01", "to": "2024-02", parameter: text}

    with pytest.raises(ParameterError, match="such as 2025-03") as refused:
        months_query(given["from"], given["to"])
    assert refused.value.parameter == parameter


@pytest.mark.parametrize(
    ("first", "last", "parameter", "detail"),
    [
        ("2024-03", "2024-02", "to", "before from, which is 2024-03"),
        ("2014-01", "2024-01", "from", "at most 120 months"),
        (None, f"{datetime.now(UTC):%Y-%m}", "to", "is not over yet"),
    ],
)
def test_spans_that_cannot_be_replayed_are_refused(
    first: str | None, last: str, parameter: str, detail: str
) -> None:
    with pytest.raises(ParameterError, match=detail) as refused:
        months_query(first, last)
    assert refused.value.parameter == parameter
