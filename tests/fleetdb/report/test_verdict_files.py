from __future__ import annotations

import csv
import json
from datetime import date, datetime
from io import BytesIO, StringIO
from pathlib import Path

import polars as pl
import pytest

from fleetdb.report.verdict_files import WRITERS

VERDICTS = pl.DataFrame(
    {
        "as_of": [date(2025, 1, 31)] * 2,
        "vehicle": ["V1", 'V "2", north'],
        "fitted_at": [datetime(2024, 5, 6, 7, 8, 9)] * 2,  # noqa: DTZ001
        "probability_below_limit": [0.123456789, 1e-9],
        "limit_date_p50": [None, date(2026, 1, 1)],
        "reasons": ["a; b", "ü"],
    }
)


def read_csv(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(text)))


def test_csv_has_a_header_iso_dates_and_empty_where_unknown() -> None:
    out = BytesIO()
    WRITERS["csv"](VERDICTS, out)
    text = out.getvalue().decode()

    assert text.splitlines()[0] == ",".join(VERDICTS.columns)
    first, second = read_csv(text)
    assert first["as_of"] == "2025-01-31"
    assert first["fitted_at"] == "2024-05-06T07:08:09Z"
    assert first["limit_date_p50"] == ""
    assert float(first["probability_below_limit"]) == pytest.approx(0.123457)
    assert second["vehicle"] == 'V "2", north'
    assert second["reasons"] == "ü"


def test_json_is_an_array_of_objects() -> None:
    out = BytesIO()
    WRITERS["json"](VERDICTS, out)
    rows = json.loads(out.getvalue())

    assert [row["vehicle"] for row in rows] == VERDICTS["vehicle"].to_list()
    assert rows[0]["limit_date_p50"] is None
    assert rows[0]["as_of"] == "2025-01-31"


@pytest.mark.parametrize("form", list(WRITERS))
def test_a_file_holds_what_a_stream_gets(form: str, tmp_path: Path) -> None:
    out = BytesIO()
    WRITERS[form](VERDICTS, out)
    WRITERS[form](VERDICTS, tmp_path / "verdicts")

    assert (tmp_path / "verdicts").read_bytes() == out.getvalue()


def test_parquet_comes_back_as_it_was() -> None:
    out = BytesIO()
    WRITERS["parquet"](VERDICTS, out)
    out.seek(0)

    assert pl.read_parquet(out).equals(VERDICTS)
