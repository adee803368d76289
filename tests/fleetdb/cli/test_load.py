"""`fleetdb load` as a user meets it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind
from fleetdb.settings import Settings
from fleetdb.store.engine import open_store
from tests.documents import FAMILY, TEST_RECORD, VEHICLE, values_of
from tests.fleetdb.cli.conftest import Run


def write(folder: Path, **files: list[Any]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, entries in files.items():
        lines = [entry if isinstance(entry, str) else json.dumps(entry) for entry in entries]
        (folder / f"{name}.ndjson").write_text("\n".join(lines) + "\n")
    return folder


def table(out: str) -> dict[str, list[int]]:
    """Read the printed summary: kind, accepted, already there, refused."""
    summary, _ = out.split("\n\n")
    rows = [line.split() for line in summary.splitlines()[1:] if "refused lines" not in line]
    return {row[0]: [int(figure.replace(",", "")) for figure in row[1:]] for row in rows}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write(
        tmp_path / "fleet", pump_families=[FAMILY], vehicles=[VEHICLE], test_records=[TEST_RECORD]
    )


def test_a_load_prints_what_became_of_each_kind(run: Run, folder: Path) -> None:
    first, second = run("load", folder), run("load", folder)

    assert (first.code, second.code) == (0, 0)
    kinds = ("pump_families", "vehicles", "test_records")
    assert table(first.out) == {kind: [1, 0, 0] for kind in kinds}
    assert table(second.out) == {kind: [0, 1, 0] for kind in kinds}
    assert first.out.endswith("\n".join(["", *CAUTIONS, ""]))
    assert first.err == ""  # progress is for terminals only
    assert list(Path.cwd().iterdir()) == []


def test_refused_lines_go_to_a_file_that_no_load_reads(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    slip = values_of(Kind.TEST_RECORDS, proof={"target_bar": 700, "actual_bar": 9427})
    write(folder, **{"test_records-2": [slip]})

    first, second = run("load", "."), run("load", ".")

    assert first.code == 3
    [refused] = [p for p in folder.glob("refused-*.ndjson") if p.name in first.out]
    assert json.loads(refused.read_text())["problems"][0]["pointer"] == "/proof/actual_bar"
    assert f"left aside, not a file to load: {refused.name}" in second.err
    assert table(second.out)["test_records"] == [0, 1, 1]


def test_a_load_tells_of_family_settings_that_reach_back(run: Run, folder: Path) -> None:
    assert run("load", folder).code == 0
    late = {**FAMILY, "applies_from": "2024-01-01", "proof_ratio_limit": 0.9}
    write(folder, **{"pump_families-2": [late]})

    first, second = run("load", folder), run("load", folder)

    assert "note: fam-x: 1 test stored before, of 2024-06-03 to 2024-06-03, " in first.out
    assert "note:" not in second.out


def test_the_refused_file_can_be_named_and_loaded_again_once_put_right(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    write(folder, **{"findings": [values_of(Kind.FINDINGS, vehicle="V-71")]})
    refused = tmp_path / "bad.ndjson"

    assert run("load", folder, "--refused", refused).code == 3

    finding = json.loads(json.loads(refused.read_text())["text"])
    right = write(tmp_path / "right", findings=[{**finding, "vehicle": "V-17"}])
    assert table(run("load", right).out) == {"findings": [1, 0, 0]}
    assert run("load", folder, "--refused", refused).code == 2  # it exists


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("missing.ndjson", "No such file"),
        ("nowhere", "No such file"),
        ("empty", "holds no .ndjson file"),
        ("bus.ndjson", "must begin with what it holds"),
    ],
)
def test_a_path_that_cannot_be_loaded_is_wrong_usage_and_nothing_is_loaded(
    run: Run, folder: Path, tmp_path: Path, settings: Settings, name: str, said: str
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "bus.ndjson").touch()

    ran = run("load", folder, tmp_path / name)

    assert ran.code == 2
    assert said in ran.err
    assert name in ran.err
    store = open_store(settings)
    with store.read() as session:
        assert session.execute(text("SELECT count(*) FROM vehicles")).scalar() == 0
    store.close()


def test_no_path_is_wrong_usage(run: Run) -> None:
    assert run("load").code == 2


def test_control_c_rolls_back_the_batch_and_says_how_to_go_on(tmp_path: Path) -> None:
    records = [values_of(Kind.TEST_RECORDS, leak=None) for _ in range(4000)]
    folder = write(
        tmp_path / "fleet", pump_families=[FAMILY], vehicles=[VEHICLE], test_records=records
    )
    home = tmp_path / "home"
    settings = Settings.from_environment({"FLEETDB_HOME": str(home)})
    store = open_store(settings)

    def n_records() -> int:
        with store.read() as session:
            return session.execute(text("SELECT count(*) FROM test_records")).scalar_one()

    command = [sys.executable, "-c", "from fleetdb.cli.main import run; run()", "load", str(folder)]
    process = subprocess.Popen(
        command,
        env={**os.environ, "FLEETDB_HOME": str(home)},
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + 60
        while n_records() == 0 and process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.005)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    finally:
        process.kill()

    assert process.returncode == 130, (out, err)
    assert "run the same load again" in err
    assert "Traceback" not in err
    assert n_records() in (1000, 2000, 3000)
    store.close()
    again = subprocess.run(
        command,
        env={**os.environ, "FLEETDB_HOME": str(home)},
        cwd=tmp_path,
        check=True,
        capture_output=True,
        text=True,
        timeout=60,
    )
    accepted, there, refused = table(again.stdout)["test_records"]
    assert (accepted + there, refused) == (4000, 0)
    assert there >= 1000
