"""Health, readiness and metrics."""

from __future__ import annotations

import re
from typing import Any

import httpx


def test_health_and_readiness_need_no_token(api: Any) -> None:
    client = api.client()
    assert client.get("/healthz").json() == {"status": "ok"}
    ready = client.get("/readyz").json()
    assert ready["status"] == "ready"
    assert ready["refresh"] == {
        "last_success_at": None,
        "last_failure_at": None,
        "last_failure": None,
    }


def test_metrics_count_requests_by_route_and_never_by_address(api: Any) -> None:
    client = api.manager
    for vehicle in ("A-1", "A-2"):
        assert client.get(f"/v1/vehicles/{vehicle}").status_code == 404
    answer = client.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    sample = (
        r'fleetdb_http_requests_total\{process="\d+",method="GET",'
        r'route="/v1/vehicles/\{vehicle\}",status="404"\} (\d+)'
    )
    match = re.search(sample, answer.text)
    assert match is not None and match[1] == "2"
    assert "A-1" not in answer.text


def test_invented_methods_are_counted_together(api: Any) -> None:
    for method in ("BREW", "WHEN"):
        assert api.manager.request(method, "/v1/verdicts").status_code == 405
    told = api.manager.get("/metrics").text
    sample = (
        r'fleetdb_http_requests_total\{process="\d+",method="other",route="none",status="405"\} 2'
    )
    assert re.search(sample, told) is not None
    assert "BREW" not in told


def test_every_metrics_line_is_a_comment_or_a_sample(api: Any) -> None:
    # Shape of the text exposition format, version 0.0.4: from memory, source not seen.
    sample = re.compile(r'[a-z_]+\{([a-z]+="[^"]*",?)+\} -?\d+(\.\d+)?(e-?\d+)?')
    httpx.get(f"{api.url}/nothing")
    lines = api.manager.get("/metrics").text.splitlines()
    assert len(lines) > 5
    for line in lines:
        assert line.startswith(("# HELP ", "# TYPE ")) or sample.fullmatch(line), line
