"""The first moments of the ``fleetdb`` command, as a process of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

# Stands in for a library whose import takes long: it says where it is, and waits.
_SLOW = """
import sys, time
class Slow:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            print("importing", flush=True)
            time.sleep(20)
sys.meta_path.insert(0, Slow())
from fleetdb.cli.main import run
sys.argv = ["fleetdb", "verdicts", "--help"]
run()
"""


@pytest.mark.parametrize("module", ["sqlalchemy", "fleetdb.cli.verdicts", "duckdb"])
def test_an_interruption_while_importing_is_a_clean_exit(module: str, tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", _SLOW.format(module=module)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "FLEETDB_HOME": str(tmp_path)},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "importing\n"
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=15)

    # 130: 128 and the number of SIGINT, as shells have it (POSIX: greater than 128).
    assert (process.returncode, out, err) == (130, "", "interrupted\n")


def test_an_interruption_that_was_ignored_stays_so(tmp_path: Path) -> None:
    code = _SLOW.format(module="duckdb").replace("time.sleep(20)", "time.sleep(1)")
    process = subprocess.Popen(
        [sys.executable, "-c", "import signal; signal.signal(2, signal.SIG_IGN)\n" + code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "FLEETDB_HOME": str(tmp_path)},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "importing\n"
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=60)

    assert process.returncode == 0
    assert "Usage: fleetdb verdicts" in out
