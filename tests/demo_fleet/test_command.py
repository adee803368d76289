"""The demo as a user runs it: another process, a folder, a port."""

import contextlib
import itertools
import re
import shlex
import signal
import socket
import subprocess
import sys
import threading
import time

import httpx
import pytest

from fleetdb.cautions import CAUTIONS

RUN = [sys.executable, "-c", "from fleetdb.cli.main import run; run()", "demo"]
SMALL = ["--vehicles", "25", "--years", "2"]
LONGEST_S = 240


def run(*arguments):
    return subprocess.run(
        [*RUN, *SMALL, *map(str, arguments)],
        capture_output=True, text=True, encoding="utf-8", timeout=LONGEST_S,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("somewhere") / "demo"


@pytest.fixture(scope="module")
def first(folder):
    return run("--no-serve", "--folder", folder)


def squeezed(text):
    return re.sub(r"\s+", " ", text)


def test_one_command_generates_loads_assesses_and_lists(first, folder):
    assert first.returncode == 0, first.stderr
    assert "25 vehicles, 2 years" in first.stdout
    assert re.search(r"loaded: [\d,]+ accepted, \d+ already there, \d+ refused", first.stdout)
    assert "assessed as of the end of 2026-06-30" in first.stdout
    assert (folder / "home" / "fleet.sqlite").exists()
    assert (folder / "refused.ndjson").exists()


def test_every_caution_is_printed_once(first):
    for caution in CAUTIONS:
        assert squeezed(first.stdout).count(squeezed(caution)) == 1


def test_another_seed_in_the_same_folder_is_refused_in_plain_words(first, folder):
    other = run("--no-serve", "--folder", folder, "--seed", 8)
    assert other.returncode == 1
    assert "--folder" in other.stderr
    assert "Traceback" not in other.stderr


def test_a_taken_port_is_told_before_any_work(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        refused = run("--folder", tmp_path / "demo", "--port", port)
    assert refused.returncode == 1
    assert f"port {port} is in use" in refused.stderr
    assert not (tmp_path / "demo").exists()


@contextlib.contextmanager
def serving(folder):
    """Run the demo with its server; give its output once it serves, then stop it."""
    process = subprocess.Popen(
        [*RUN, *SMALL, "--folder", str(folder), "--port", "0"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8",
    )  # fmt: skip
    stop = threading.Timer(LONGEST_S, process.kill)
    stop.start()
    told = ""
    try:
        for line in process.stdout:
            told += line
            if "serving on" in line:
                break
        yield process, told
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        rest = process.stdout.read()
        process.wait(30)
        process.stdout.close()
        stop.cancel()
        assert "Traceback" not in told + rest


def send(command):
    """Send what a curl command would."""
    words = shlex.split(command)
    pairs = list(itertools.pairwise(words))
    headers = dict(value.split(": ", 1) for name, value in pairs if name == "-H")
    body = next((value for name, value in pairs if name == "-d"), None)
    address = next(word for word in words if word.startswith("http"))
    method = "GET" if body is None else "POST"
    return httpx.request(method, address, headers=headers, content=body, timeout=60)


def wait_until_it_answers(address):
    for _ in range(300):
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(f"{address}/healthz", timeout=5).status_code == 200:
                return
        time.sleep(0.1)
    raise AssertionError(f"nothing answers at {address}")


def test_run_again_it_adds_nothing_and_serves_three_requests_until_ctrl_c(first, folder):
    with serving(folder) as (process, told):
        assert "already in" in told
        assert "loaded: 0 accepted" in told
        commands = re.findall(r"^curl .*$", told, re.MULTILINE)
        assert len(commands) == 3, told
        wait_until_it_answers(re.search(r"http://127\.0\.0\.1:\d+", told)[0])
        listed, history, posted = (send(command) for command in commands)
        assert [r.status_code for r in (listed, history, posted)] == [200, 200, 201], posted.text
        assert listed.json()["as_of"].startswith("2026-06-30T23:59:59")
        assert posted.json()["verdict"]["state"]
        assert send(commands[2]).status_code == 200
        page = re.search(r"^Look at it in a browser: +(\S+)$", told, re.MULTILINE)[1]
        token = re.search(r"^sign in with +(\S+)$", told, re.MULTILINE)[1]
        with httpx.Client(timeout=60, follow_redirects=True) as browser:
            form = browser.get(page)
            key = re.search(r'name="form_key" value="([^"]+)"', form.text)[1]
            fields = {"form_key": key, "next": "/", "token": token}
            shown = browser.post(form.url.join("/sign-in"), data=fields)
        assert "25 vehicles by state" in shown.text
    assert process.returncode == 0
