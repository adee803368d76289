"""``fleetdb trace FILE`` prints what a trace says, draws it, and stores nothing."""

from __future__ import annotations

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fleetdb.cautions import CAUTIONS
from fleetdb.cli.commands import run_with
from fleetdb.settings import Settings
from tests.documents import FAMILY
from tests.fleetdb.cli.conftest import Ran
from tests.fleetdb.trace.rail_balance import Rail, recorded


@pytest.fixture
def run(
    sqlite_settings: Settings,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Any:
    """Run the command in a folder with ``proof.csv``; the dialect does not matter to it."""
    monkeypatch.setenv("FLEETDB_DATABASE_URL", sqlite_settings.database_url)
    monkeypatch.setenv("FLEETDB_HOME", str(sqlite_settings.home))
    monkeypatch.setenv("COLUMNS", "160")
    monkeypatch.chdir(tmp_path)
    trace = recorded(Rail(regulator_bar=660.0), with_speed=True)
    lines = [
        f"{t:.3f},{p / 10:.4f},{n:.0f}"
        for t, p, n in zip(trace.time_s, trace.rail_bar, trace.crank_rpm, strict=True)
    ]
    Path("proof.csv").write_text("\n".join(["time_s,rail_mpa,crank_rpm", *lines]))

    def run(*arguments: str) -> Ran:
        capsys.readouterr()
        code = run_with(["trace", *arguments])
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return run


def test_figures_are_a_table_with_uncertainties_and_cautions(run: Any) -> None:
    ran = run("proof.csv", "--kind", "proof", "--target-bar", "700")

    assert (ran.code, ran.err) == (0, "")
    assert "proof, 9.0 s at 100 Hz; target 700 bar" in ran.out
    for name in ("rest pressure", "plateau pressure", "proof ratio", "build rate", "stroke ripple"):
        assert name in ran.out
    assert "0.952" in ran.out  # 666.6 of 700 bar
    assert "140 to 490 bar" in ran.out
    assert "does not say strokes_per_engine_rev" in ran.out
    assert "not said whether the inlet metering valve was unplugged" in ran.out
    for caution in CAUTIONS:
        assert caution.split(".")[0][:60] in ran.out.replace("\n", " ")


def test_json_holds_the_same_figures_and_the_cautions(run: Any) -> None:
    ran = run("proof.csv", "--kind", "proof", "--target-bar", "700", "--json")
    told = json.loads(ran.out)

    assert told["figures"]["plateau"]["proof_ratio"]["value"] == pytest.approx(0.952, abs=0.002)
    assert told["cautions"] == list(CAUTIONS)


def test_a_picture_is_drawn_where_asked(run: Any) -> None:
    ran = run("proof.csv", "--kind", "proof", "--target-bar", "700", "--svg", "proof.svg")

    assert ran.code == 0 and "drew proof.svg" in ran.err
    assert ET.parse("proof.svg").getroot().get("role") == "img"


def test_the_familys_settings_hold_when_it_is_named(run: Any) -> None:
    family = FAMILY | {"pump_strokes_per_engine_rev": 1.5, "pumping_elements": 3}
    Path("pump_families.ndjson").write_text(json.dumps(family) + "\n")
    assert run_with(["load", "pump_families.ndjson"]) == 0
    ran = run("proof.csv", "--kind", "proof", "--family", FAMILY["pump_family"])

    assert ran.code == 0
    assert f"target {FAMILY['proof_target_bar']:g} bar" in ran.out
    assert "does not say strokes_per_engine_rev" not in ran.out
    assert run("proof.csv", "--kind", "proof", "--family", "no-such").code == 1


def test_a_connected_valve_is_no_clean_build_rate(run: Any) -> None:
    arguments = ("proof.csv", "--kind", "start_up", "--target-bar", "700")

    assert "no clean build rate" in run(*arguments, "--inlet-valve-connected").out
    assert "no clean build rate" not in run(*arguments, "--inlet-valve-unplugged").out


def test_a_document_as_it_would_be_posted_is_read_too(run: Any) -> None:
    time_s = np.arange(500) / 100.0
    rail_bar = 700.0 * np.exp(-time_s / 5.0)
    document = {
        "record_id": "018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f",
        "kind": "hold",
        "time_s": time_s.tolist(),
        "rail_bar": rail_bar.tolist(),
    }
    Path("hold.json").write_text(json.dumps(document))
    ran = run("hold.json", "--target-bar", "700", "--rail-volume-ml", "30", "--json")

    hold = json.loads(ran.out)["figures"]["hold"]
    assert hold["decay_bar_per_s"]["value"] == pytest.approx(140.0, rel=0.2)
    assert hold["leak_ml_per_min"]["value"] > 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("proof.csv", "--kind", "proof"), "--family NAME or --target-bar BAR"),
        (("proof.csv", "--target-bar", "700"), "--kind is needed"),
        (("proof.csv", "--kind", "proof", "--target-bar", "7", "--family", "x"), "not both"),
        (("notes.txt", "--kind", "proof", "--target-bar", "700"), "ends in none of"),
        (("none.csv", "--kind", "proof", "--target-bar", "700"), "does not exist"),
        (
            ("proof.csv", "--kind", "proof", "--target-bar", "300", "--rail-max-bar", "400"),
            "above the 400 bar the rail can hold",
        ),
        (("bad.csv", "--kind", "proof", "--target-bar", "700"), "/rail: is without its unit"),
    ],
)
def test_wrong_usage_is_said(run: Any, arguments: tuple[str, ...], words: str) -> None:
    Path("notes.txt").write_text("x")
    Path("bad.csv").write_text("time_s,rail\n0,1\n")
    ran = run(*arguments)

    assert ran.code == 2
    assert words in ran.err


def test_nothing_is_stored(run: Any, sqlite_settings: Settings) -> None:
    assert run("proof.csv", "--kind", "proof", "--target-bar", "700").code == 0
    assert not sqlite_settings.home.exists()


def test_a_table_waits_for_no_import_of_database_migrations_or_charts(run: Any) -> None:
    program = (
        "import sys; from fleetdb.cli.commands import run_with; "
        "code = run_with(['trace', 'proof.csv', '--kind', 'proof', '--target-bar', '700']); "
        "print(code, sorted({'alembic', 'altair', 'duckdb', 'numba'} & sys.modules.keys()))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=120, check=True
    )

    assert ran.stdout.splitlines()[-1] == "0 []"


def test_a_name_as_load_takes_it_says_what_was_done(run: Any) -> None:
    named = "traces-018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f-start-up-unplugged.csv"
    Path("proof.csv").rename(named)

    told = run(named, "--target-bar", "700")
    assert told.code == 0
    assert told.out.startswith("start up, 9.0 s")
    assert "not said whether the inlet metering valve was unplugged" not in told.out
    otherwise = run(named, "--target-bar", "700", "--kind", "proof", "--inlet-valve-connected")
    assert otherwise.out.startswith("proof, 9.0 s")
    assert "no clean build rate" in otherwise.out
