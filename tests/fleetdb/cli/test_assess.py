"""`fleetdb assess` in every format, now and at a past date."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from fleetdb.cautions import CAUTIONS
from fleetdb.trend.verdict import SCHEMA
from fleetdb.warehouse.snapshot import current_name, open_snapshot
from tests.fleetdb.cli.conftest import Run
from tests.fleetdb.cli.worn_fleet import SOUND, UNTESTED, WORN, store_worn_fleet

AUGUST = ("--as-of", "2025-08-01")


@pytest.fixture
def worn(fleet: Any) -> Any:
    return store_worn_fleet(fleet)


def states_of(text: str) -> dict[str, str]:
    return {row["vehicle"]: row["state"] for row in csv.DictReader(StringIO(text))}


def test_the_list_names_the_vehicle_to_act_on_and_the_caution(run: Run, worn: Any) -> None:
    ran = run("assess", *AUGUST)

    assert (ran.code, ran.err) == (0, "")
    assert "12 vehicles" in ran.out
    assert WORN in ran.out
    assert "stand_down" in ran.out
    assert SOUND not in ran.out
    assert " ".join(CAUTIONS) in " ".join(ran.out.split())


def test_csv_has_every_column_and_every_vehicle(run: Run, worn: Any) -> None:
    ran = run("assess", *AUGUST, "--format", "csv")

    assert ran.code == 0
    assert ran.out.splitlines()[0].split(",") == SCHEMA.names
    states = states_of(ran.out)
    assert sorted(states) == worn.vehicles
    assert (states[WORN], states[SOUND], states[UNTESTED]) == ("stand_down", "sound", "unproven")


def test_json_and_parquet_say_the_same(run: Run, worn: Any, tmp_path: Path) -> None:
    ran = run("assess", *AUGUST, "--format", "json")
    run("assess", *AUGUST, "--format", "parquet", "--out", "verdicts.parquet")

    rows = json.loads(ran.out)
    table = pl.read_parquet("verdicts.parquet")
    assert table.columns == SCHEMA.names
    assert [row["vehicle"] for row in rows] == table["vehicle"].to_list()
    assert [row["state"] for row in rows] == table["state"].to_list()


@pytest.mark.parametrize("form", ["table", "csv", "json", "parquet"])
def test_a_file_is_written_instead_of_the_output(form: str, run: Run, worn: Any) -> None:
    ran = run("assess", *AUGUST, "--format", form, "--out", "here")

    assert (ran.code, ran.out) == (0, "")
    assert WORN.encode() in Path("here").read_bytes()


def test_a_past_date_sees_only_what_was_known_then_and_publishes_nothing(
    run: Run, worn: Any
) -> None:
    ran = run("assess", "--as-of", "2025-03-31", "--format", "csv")

    assert states_of(ran.out)[WORN] != "stand_down"
    [day] = {row["as_of"] for row in csv.DictReader(StringIO(ran.out))}
    assert date.fromisoformat(day) == date(2025, 3, 31)
    assert current_name(worn.home, worn.fleet_id) is None


def test_the_whole_of_the_date_is_seen(run: Run, worn: Any) -> None:
    def tests_by(as_of: str) -> int:
        rows = csv.DictReader(StringIO(run("assess", "--as-of", as_of, "--format", "csv").out))
        return next(int(row["n_tests"]) for row in rows if row["vehicle"] == WORN)

    # The fourth test was made on 1 April at 06:00.
    assert (tests_by("2025-03-31"), tests_by("2025-04-01")) == (3, 4)


def test_without_a_date_the_verdicts_are_published(run: Run, worn: Any) -> None:
    ran = run("assess")

    assert ran.code == 0
    snapshot = open_snapshot(worn.home, worn.fleet_id)
    with snapshot.connection() as connection:
        [(state,)] = connection.execute(
            "SELECT state FROM verdicts WHERE vehicle = ?", [WORN]
        ).fetchall()
    snapshot.close()
    assert state == "stand_down"  # it failed on the road, and nothing was done since
    assert WORN in ran.out


def test_an_empty_fleet_has_nothing_to_act_on(run: Run) -> None:
    ran = run("assess")

    assert ran.code == 0
    assert "0 vehicles" in ran.out


def test_a_date_or_a_format_that_is_none_is_a_usage_error(run: Run) -> None:
    assert run("assess", "--as-of", "yesterday").code == 2
    assert run("assess", "--format", "xml").code == 2


def test_a_day_still_to_come_is_refused(run: Run, worn: Any) -> None:
    ran = run("assess", "--as-of", "2999-01-01")

    assert ran.code == 2
    assert "2999-01-01 is still to come" in ran.err


def test_a_file_is_told_of_and_so_is_a_fleet_without_vehicles(run: Run) -> None:
    run("fleet", "add", "south")
    ran = run("assess", "--format", "csv", "--out", "verdicts.csv")

    assert ran.code == 0
    assert "no vehicles yet" in ran.err
    assert "0 verdicts are in verdicts.csv" in ran.err


def test_a_reader_that_leaves_early_is_no_error_to_trace(worn: Any) -> None:
    """`fleetdb assess --format csv | head -1` ended with a traceback."""
    settings = {"FLEETDB_HOME": str(worn.home), "PATH": os.environ["PATH"]}
    settings["FLEETDB_DATABASE_URL"] = worn.store.engine.url.render_as_string(hide_password=False)
    begin = "from fleetdb.cli.main import run; run()"
    command = [sys.executable, "-c", begin, "assess", *AUGUST, "--format", "json"]
    with subprocess.Popen(
        command, env=settings, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as ran:
        assert ran.stdout is not None and ran.stderr is not None
        ran.stdout.close()
        told = ran.stderr.read().decode()

    assert "Traceback" not in told and "Exception" not in told
    assert ran.returncode == 1
