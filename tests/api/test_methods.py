"""HEAD, OPTIONS, and methods that are not offered."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.mark.parametrize(
    ("path", "allow"),
    [
        ("/v1/test-records", "GET, HEAD, OPTIONS, POST"),
        ("/v1/test-records/018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f", "GET, HEAD, OPTIONS"),
        ("/v1/tokens/1/revoke", "OPTIONS, POST"),
        ("/healthz", "GET, HEAD, OPTIONS"),
    ],
)
def test_allow_lists_every_method_of_the_address(api: Any, path: str, allow: str) -> None:
    for method in ("DELETE", "PUT", "PATCH"):
        refused = api.manager.request(method, path)
        assert refused.status_code == 405
        assert refused.headers["Allow"] == allow
    asked = api.client().options(path)
    assert asked.status_code == 204
    assert asked.headers["Allow"] == allow
    assert asked.content == b""


def test_head_is_get_without_the_body(api: Any) -> None:
    head, get = api.manager.head("/v1/kits"), api.manager.get("/v1/kits")
    assert head.status_code == get.status_code == 200
    assert head.content == b""
    assert head.headers["content-length"] == get.headers["content-length"]
    assert api.client().head("/v1/kits").status_code == 401


def test_no_other_origin_is_let_in(api: Any) -> None:
    headers = {"Origin": "https://elsewhere.example", "Access-Control-Request-Method": "GET"}
    for answer in (
        api.client().options("/v1/kits", headers=headers),
        api.manager.get("/v1/kits", headers=headers),
    ):
        assert not [name for name in answer.headers if name.startswith("access-control-")]
