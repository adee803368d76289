"""`fleetdb backtest` replays month ends, keeps score and writes what it said."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from tests.fleetdb.cli.conftest import Run
from tests.fleetdb.cli.worn_fleet import SOUND, WORN, store_worn_fleet

# The contract's verdict CSV begins with these columns.
CONTRACT = (
    "as_of,vehicle,pump_serial,fitted_at,state,probability_below_limit,horizon_days,"
    "limit_date_p10,limit_date_p50,limit_date_p90,proof_ratio,proof_ratio_low,"
    "proof_ratio_high,delivery_reserve,leading_cause,reasons"
)


@pytest.fixture
def worn(fleet: Any) -> Any:
    return store_worn_fleet(fleet)


def test_every_month_end_is_written_and_the_failure_was_called(run: Run, worn: Any) -> None:
    ran = run("backtest", "--from", "2025-02", "--to", "2025-11", "--verdicts", "replayed.csv")

    assert (ran.code, ran.err) == (0, "")
    text = Path("replayed.csv").read_text(encoding="utf-8")
    assert text.startswith(CONTRACT)
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == 10 * len(worn.vehicles)
    assert f"{len(rows)} verdicts written to replayed.csv" in ran.out
    assert sorted({row["as_of"] for row in rows})[:2] == ["2025-02-28", "2025-03-31"]
    called = [
        row["as_of"] for row in rows if row["vehicle"] == WORN and row["state"] == "stand_down"
    ]
    assert called[0] <= "2025-08-31"
    assert {row["state"] for row in rows if row["vehicle"] == SOUND} <= {"sound", "unproven"}
    told = " ".join(ran.out.split())
    assert "could have called: 1" in told
    assert "ahead: 1, not called: 0" in told


def test_the_file_need_not_be_written(run: Run, worn: Any) -> None:
    ran = run("backtest", "--from", "2025-06", "--to", "2025-06")

    assert ran.code == 0
    assert "written" not in ran.out
    assert list(Path().iterdir()) == []


@pytest.mark.parametrize(
    ("months", "message"),
    [
        (("--from", "2025-06", "--to", "2025-05"), "2025-05 is before --from 2025-06"),
        (("--from", "June", "--to", "2025-05"), "not a month written YYYY-MM"),
        (("--from", "2025-13", "--to", "2026-05"), "not a month written YYYY-MM"),
        (
            (
                "--from",
                "2025-06",
            ),
            "--to",
        ),
    ],
    ids=["wrong way round", "a word", "month 13", "no end"],
)
def test_months_that_make_no_span_are_a_usage_error(
    months: tuple[str, ...], message: str, run: Run
) -> None:
    ran = run("backtest", *months)

    assert ran.code == 2
    assert message in " ".join(ran.err.split())


def test_months_without_vehicles_make_an_empty_file(run: Run, worn: Any) -> None:
    ran = run("backtest", "--from", "2019-01", "--to", "2019-02", "--verdicts", "none.csv")

    assert ran.code == 0
    assert Path("none.csv").read_text(encoding="utf-8").startswith(CONTRACT)
