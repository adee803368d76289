"""The command line, run in this process on a home of the test's own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from fleetdb.cli.commands import run_with
from fleetdb.settings import Settings


@dataclass(frozen=True)
class Ran:
    """What a command ended with."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture
def run(
    settings: Settings,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Run:
    """Run ``fleetdb`` with arguments in an empty current folder, once for each dialect."""
    monkeypatch.setenv("FLEETDB_DATABASE_URL", settings.database_url)
    monkeypatch.setenv("FLEETDB_HOME", str(settings.home))
    monkeypatch.setenv("COLUMNS", "160")
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)

    def run(*arguments: str | Path) -> Ran:
        capsys.readouterr()
        code = run_with([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return run
