"""The server as a user starts it."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from click.testing import CliRunner

from api.examples import DOCUMENTS
from api.serve import serve
from fleetdb.errors import FleetDbError
from fleetdb.records.documents import Kind

FLEETDB = Path(sys.executable).with_name("fleetdb")


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return {**os.environ, "FLEETDB_HOME": str(tmp_path / "home"), "FLEETDB_DATABASE_URL": ""}


@contextmanager
def running(environment: dict[str, str], *options: str) -> Iterator[tuple[Any, str]]:
    """`fleetdb serve` on a free port; give the process and the address it told."""
    process = subprocess.Popen(
        [FLEETDB, "serve", "--port", "0", *options],
        env=environment,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stderr is not None
        told = ""
        match = None
        while match is None:
            line = process.stderr.readline()
            assert line, told
            told += line
            match = re.search(r"http://127\.0\.0\.1:\d+", told)
        yield process, match[0]
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        try:
            process.communicate(timeout=30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def wait_until_ready(address: str) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            if httpx.get(f"{address}/readyz", timeout=5).status_code == 200:
                return
        except httpx.TransportError:
            pass
        assert time.monotonic() < deadline
        time.sleep(0.1)


@pytest.mark.parametrize("workers", ["1", "2"])
def test_serve_answers_over_http_and_ends_with_0_on_ctrl_c(
    environment: dict[str, str], workers: str, record: Callable[..., dict[str, Any]]
) -> None:
    created = subprocess.run(
        [FLEETDB, "token", "create", "bench", "--role", "manager"],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    headers = {"Authorization": f"Bearer {created.stdout.strip()}"}
    with running(environment, "--workers", workers) as (process, address):
        wait_until_ready(address)
        with httpx.Client(base_url=address, headers=headers, timeout=60) as client:
            for kind in (Kind.PUMP_FAMILIES, Kind.VEHICLES):
                path = "/v1/" + kind.value.replace("_", "-")
                assert client.post(path, json=DOCUMENTS[kind]).status_code == 201
            document = record()
            posted = client.post("/v1/test-records", json=document)
            assert posted.status_code == 201
            assert client.post("/v1/test-records", json=document).json() == posted.json()
        process.send_signal(signal.SIGINT)
        _, rest = process.communicate(timeout=30)
        assert process.returncode == 0, rest
        assert "Traceback" not in rest


def test_a_port_in_use_is_told_plainly(environment: dict[str, str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        ended = subprocess.run(
            [FLEETDB, "serve", "--port", port],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
    assert ended.returncode == 1
    assert f"127.0.0.1 port {port}" in ended.stderr
    assert "--port" in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("FLEETDB_REFRESH_S", "often"),
        ("FLEETDB_DATABASE_URL", "oracle://elsewhere"),
        ("FLEETDB_DATABASE_URL", "sqlite:////proc/nowhere/fleet.sqlite"),
    ],
)
def test_bad_settings_are_told_plainly(
    environment: dict[str, str], name: str, value: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for variable, text in {**environment, name: value}.items():
        monkeypatch.setenv(variable, text)
    result = CliRunner().invoke(serve, ["--port", "0"])
    assert isinstance(result.exception, FleetDbError)
    assert result.exit_code == 1


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "fleet.example"])
def test_an_address_others_can_reach_needs_a_word_about_tls(host: str) -> None:
    result = CliRunner().invoke(serve, ["--host", host, "--port", "0"])
    assert result.exit_code == 2
    assert "--behind-tls" in result.output
