"""What holds of every page there is: headers, keys of forms, readers, and hostile names."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

import pytest
from fastapi.routing import APIRoute
from playwright.sync_api import Page

from api.app import create_app
from api.examples import DOCUMENTS
from api.pages.routing import PageRoute
from fleetdb.records.documents import Kind
from fleetdb.settings import Settings
from tests.api.pages.browsing import SIZES, sign_in
from tests.api.pages.conftest import Visitor
from tests.api.pages.test_vehicle_in_browser import publish
from tests.api.pages.worn_vehicle import post_worn_vehicle, record_id, record_of

ANYONE = {"/sign-in", "/static/{name}"}
# A script, quotes and a tag; a word as long as a name may be; right to left, and turned round.
SCRIPT = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>"
LONG = "W" * 80
TURNED = "\u202eשלום \u0627\u0644\u0633\u0644\u0627\u0645 %2F..&amp;{{7*7}}"
# What is wider than the window and in no region that scrolls by itself.
WIDEST = """[...document.querySelectorAll('main *, header *')]
  .filter(e => e.getBoundingClientRect().right > innerWidth && !e.closest('.wide'))
  .filter(e => !e.children.length)
  .slice(0, 3).map(e => e.parentElement.outerHTML.slice(0, 200))"""
FILLED = {
    "vehicle": "V-9",
    "events": "findings",
    "what": "test-records",
    "document_id": record_id("V-9", 0),
    "record_id": record_id("V-9", 0),
    "kit": "K-1",
    "name": "pages.css",
}


def routes(settings: Settings, method: str) -> list[PageRoute]:
    found = [r for r in all_routes(create_app(settings).router.routes) if isinstance(r, PageRoute)]
    chosen = [route for route in found if method in (route.methods or ())]
    assert len(chosen) >= 8
    return chosen


def all_routes(listed: Any) -> list[APIRoute]:
    """Every route, those of included routers too, however the framework keeps them."""
    found: list[APIRoute] = []
    for route in listed:
        if isinstance(route, APIRoute):
            found.append(route)
        else:
            inner = getattr(route, "original_router", None) or getattr(route, "app", None)
            found += all_routes(getattr(inner, "routes", ()))
    return found


def address_of(route: PageRoute) -> str:
    return re.sub(r"{(\w+)(?::\w+)?}", lambda m: FILLED[m[1]], route.path)


def signed_in(api: Any, role: str, **options: Any) -> Visitor:
    made = Visitor(api.client())
    assert made.sign_in(api.token(role, **options)).status_code == 303
    return made


def test_every_answer_forbids_scripts_and_styles_that_are_not_a_file_of_ours(api: Any) -> None:
    post_worn_vehicle(api, tests=3)
    publish(api)
    manager = signed_in(api, "manager")
    addresses = [address_of(route) for route in routes(api.settings, "GET")]
    wrong = [
        "/nowhere",
        "/?state=asleep",
        "/vehicles/none",
        "/v1/verdicts",
        "/kits/none",
        "/static/x",
    ]
    for address in [*addresses, *wrong]:
        answer = manager.get(address, headers={"Accept": "text/html"})
        assert answer.status_code < 500, address
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'") and "unsafe" not in policy, address
        assert "frame-ancestors 'none'" in policy, address
        assert answer.headers["x-content-type-options"] == "nosniff", address
        assert answer.headers["referrer-policy"] in ("same-origin", "no-referrer"), address
        if not address.startswith("/static/pages"):
            kept = "private, no-cache" if address.endswith(".svg") else "no-store"
            assert answer.headers["cache-control"] in (kept, "no-store"), address
        if answer.headers["content-type"].startswith("text/html"):
            assert not re.search(
                r"<style|\sstyle=|\son\w+=|<script(?! src=\"/static/)", answer.text
            )
            assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", answer.text), address


def test_every_form_is_refused_without_its_key_and_with_another_sessions(api: Any) -> None:
    post_worn_vehicle(api, tests=3)
    manager, other = signed_in(api, "manager"), signed_in(api, "manager")
    foreign = other.form_key("/record")
    before = [len(api.manager.get(f"/v1/{what}").json()["items"]) for what in ("findings",)]
    for route in routes(api.settings, "POST"):
        for key in ({"next": "/"}, {"form_key": ""}, {"form_key": foreign}):
            address = address_of(route)
            files = {"file": ("a.csv", b"a;b\n1;2\n")} if address == "/record/file" else None
            answer = manager.client.post(address, data=key, files=files)
            assert answer.status_code == 403, (address, key)
            assert "did not come from this page" in answer.text, address
    assert before == [len(api.manager.get("/v1/findings").json()["items"])]
    assert manager.get("/record").status_code == 200  # nobody was signed out


def test_nobody_sees_a_page_without_signing_in(api: Any) -> None:
    stranger = Visitor(api.client())
    for method in ("GET", "POST"):
        for route in routes(api.settings, method):
            if route.path in ANYONE:
                continue
            files = {"file": ("a.csv", b"a;b\n1;2\n")} if route.path == "/record/file" else None
            data = {"form_key": "0" * 64} if method == "POST" else None
            answer = stranger.client.request(
                method, address_of(route), data=data, files=files if method == "POST" else None
            )
            assert answer.status_code == 303, route.path
            assert answer.headers["location"].startswith("/sign-in"), route.path


def test_a_workshop_sees_neither_the_managers_pages_nor_anothers_vehicle(api: Any) -> None:
    post_worn_vehicle(api, tests=3, workshop="North")
    publish(api)
    south = signed_in(api, "workshop", workshop_name="South")
    seen = set()
    for route in routes(api.settings, "GET"):
        answer = south.get(address_of(route))
        if answer.status_code == 200:
            seen.add(route.path)
            assert "V-9" not in answer.text, route.path
        elif route.path != "/":
            assert answer.status_code in (403, 404), (route.path, answer.status_code)
    # What a workshop may open that has tested nothing: its own pages, and the forms of a test.
    assert seen == {
        "/record",
        "/record/file",
        "/sign-in",
        "/static/{name}",
        "/vehicles",
        "/workshop",
    }


def test_cookies_are_out_of_reach_of_scripts_and_other_sites_and_behind_tls_go_there_only(
    sqlite_settings: Settings, serve_app: Callable[..., Any]
) -> None:
    for behind_tls in (False, True):
        with serve_app(replace(sqlite_settings, behind_tls=behind_tls)) as api:
            shown = api.client().get("/sign-in")
            key = re.search(r'name="form_key" value="([0-9a-f]{64})"', shown.text)
            assert key
            [visitor] = shown.headers.get_list("set-cookie")
            answer = api.client().post(
                "/sign-in",
                data={"form_key": key[1], "token": api.token("manager")},
                headers={"Cookie": visitor.split(";")[0]},
            )
            assert answer.status_code == 303
            for cookie in (visitor, *answer.headers.get_list("set-cookie")):
                said = cookie.lower()
                assert "httponly" in said and "samesite=lax" in said and "path=/" in said
                assert ("secure" in said.split("; ")) == behind_tls
                assert cookie.startswith("__Host-") == behind_tls


def new() -> str:
    return str(uuid.uuid4())


def fill_with_hostile_names(api: Any) -> None:
    """A family, vehicles, tests, events, kits and notes whose every text is hostile."""
    for n, name in enumerate((SCRIPT, LONG, TURNED)):
        family = {**DOCUMENTS[Kind.PUMP_FAMILIES], "pump_family": name}
        assert api.manager.post("/v1/pump-families", json=family).status_code == 201
        vehicle = {"vehicle": name, "pump_family": name, "in_service_on": "2020-01-01"}
        vehicle |= {"depot": name, "vin": name, "registration": name}
        assert api.manager.post("/v1/vehicles", json=vehicle).status_code == 201
        texts = {"kit": name, "workshop": name, "technician": name, "note": name * 3}
        for k in range(12):
            record = {**record_of(name, k), **texts}
            quick = {"Prefer": "return=minimal"}
            sent = api.manager.post("/v1/test-records", json=record, headers=quick)
            assert sent.status_code == 201, sent.text
        wrong = {**record_of(f"no {n}", 0), **texts}
        assert api.manager.post("/v1/test-records", json=wrong).status_code == 422
        at = "2025-06-01T08:00:00Z"
        events = {
            "fitments": {"fitment_id": new(), "vehicle": name, "part": "fuel_filter"}
            | {"fitted_at": at, "serial": name, "reason": name},
            "findings": {"finding_id": new(), "vehicle": name, "part": "injector"}
            | {"found_at": at, "outcome": "worn_confirmed", "note": name},
            "kit-calibrations": {"calibration_id": new(), "kit": name}
            | {"calibrated_at": at, "note": name},
        }
        for path, event in events.items():
            assert api.manager.post(f"/v1/{path}", json=event).status_code == 201
    publish(api)


@pytest.mark.parametrize("size", SIZES)
def test_hostile_names_run_nothing_and_widen_no_page_that_can_be_reached(
    api: Any, open_page: Callable[..., Page], size: str
) -> None:
    fill_with_hostile_names(api)
    page = open_page(size)
    page.on("dialog", lambda dialog: pytest.fail(f"a script ran: {dialog.message}"))
    sign_in(page, api.token("manager"))
    waiting, seen, wide = ["/"], set(), []
    while waiting:
        address = waiting.pop()
        kind = re.sub(r"%[^/]*|W{9,}[^/]*|[0-9a-f-]{36}", "*", urlsplit(address).path)
        # Of each sort of page one for every hostile name is enough.
        if sum(kind == each for each, _ in seen) >= 3 or (kind, urlsplit(address).path) in seen:
            continue
        seen.add((kind, urlsplit(address).path))
        answer = page.goto(address)
        assert answer is not None and answer.status == 200, (address, page.inner_text("body"))
        page.evaluate("document.querySelectorAll('details').forEach(each => (each.open = true))")
        assert page.locator("img[src='x'], main script").count() == 0, address
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wide.append((address, page.evaluate(WIDEST)))
        links = page.evaluate("[...document.querySelectorAll('a[href]')].map(a => a.href)")
        for link in links:
            assert link.startswith(api.url), link
            if not urlsplit(link).path.endswith((".csv", ".ics")) and "#" not in link:
                waiting.append(link.removeprefix(api.url))
    assert wide == []
    reached = {kind for kind, _ in seen}
    assert {
        *("/", "/vehicles", "/planned-tests", "/kits", "/data-quality", "/scorecard"),
        *("/workshop", "/record", "/record/file", "/record/*", "/vehicles/*", "/kits/*"),
        *("/vehicles/*/findings/new", "/vehicles/*/fitments/new"),
    } <= reached, reached
