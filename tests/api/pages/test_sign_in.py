"""Signing in and out: cookies, keys of forms, roles, and addresses that lead elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select

from fleetdb.settings import Settings
from fleetdb.store.tables import AccessToken, PageSession
from fleetdb.store.tokens import revoke_token
from tests.api.pages.conftest import Visitor, text_of

MakeVisitor = Callable[..., Visitor]


def test_a_token_opens_the_page_that_was_asked_for(api: Any, visitor: MakeVisitor) -> None:
    someone = visitor()
    asked = someone.get("/?depot=Quarry+Lane")
    assert (asked.status_code, asked.headers["location"]) == (
        303,
        "/sign-in?next=%2F%3Fdepot%3DQuarry%2BLane",
    )
    opened = someone.sign_in(api.token("manager"), next="/?depot=Quarry+Lane")
    assert (opened.status_code, opened.headers["location"]) == (303, "/?depot=Quarry+Lane")
    assert someone.get("/").status_code == 200


def test_the_session_cookie_is_out_of_reach_of_scripts_and_of_other_sites(
    api: Any, visitor: MakeVisitor
) -> None:
    cookie = visitor().sign_in(api.token("manager")).headers["set-cookie"].lower()
    assert cookie.startswith("fleetdb_session=")
    attributes = {part.strip() for part in cookie.split(";")[1:]}
    assert {"httponly", "samesite=lax", "path=/"} <= attributes
    assert not any(part.startswith("domain") for part in attributes)


def test_behind_tls_cookies_are_for_tls_and_this_host_alone(
    sqlite_settings: Settings, serve_app: Callable[..., AbstractContextManager[Any]]
) -> None:
    with serve_app(replace(sqlite_settings, behind_tls=True)) as api:
        shown = api.client().get("/sign-in")
        (cookie,) = shown.headers.get_list("set-cookie")
    # RFC 6265bis section 4.1.3.2: __Host- wants Secure, Path=/ and no Domain.
    assert cookie.startswith("__Host-fleetdb_visitor=")
    assert "Secure" in cookie and "Path=/" in cookie and "Domain" not in cookie


def test_a_wrong_token_is_told_and_not_shown_again(visitor: MakeVisitor) -> None:
    someone = visitor()
    refused = someone.sign_in("flt_wrong<b>")
    assert refused.status_code == 403
    assert "unknown, revoked or past its end" in text_of(refused)
    assert "flt_wrong" not in refused.text
    assert someone.get("/").status_code == 303


@pytest.mark.parametrize(
    "address",
    ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "/\t/x", "x"],
)
def test_signing_in_never_leads_to_another_server(
    api: Any, visitor: MakeVisitor, address: str
) -> None:
    assert visitor().sign_in(api.token("manager"), next=address).headers["location"] == "/"


def test_a_form_without_the_key_of_its_session_changes_nothing(
    api: Any, visitor: MakeVisitor
) -> None:
    someone, other = visitor("manager"), visitor("manager")
    keys: list[dict[str, str]] = [
        {"form": "without a key"},
        {"form_key": "0" * 64},
        {"form_key": other.form_key("/")},
        {"form_key": someone.form_key("/sign-in")},
    ]
    for fields in keys:
        answer = someone.client.post("/sign-out", data=fields)
        assert answer.status_code == 403, fields
        assert "did not come from this page" in text_of(answer)
    assert someone.get("/").status_code == 200
    token = api.token("manager")
    assert visitor().client.post("/sign-in", data={"token": token}).status_code == 403


def test_signing_out_ends_the_session_in_the_store_too(api: Any, visitor: MakeVisitor) -> None:
    someone = visitor("manager")
    secret = someone.client.cookies["fleetdb_session"]
    left = someone.send("/", "/sign-out")
    assert (left.status_code, left.headers["location"]) == (303, "/sign-in")
    assert "fleetdb_session" not in someone.client.cookies
    again = visitor()
    again.client.cookies.set("fleetdb_session", secret)
    assert again.get("/").status_code == 303
    with api.store.read() as session:
        assert session.scalars(select(PageSession)).all() == []


def test_a_revoked_token_closes_its_pages(api: Any, visitor: MakeVisitor) -> None:
    someone = visitor("manager")
    with api.store.write() as session:
        newest = session.scalars(select(AccessToken.id).order_by(AccessToken.id.desc())).first()
        revoke_token(session, newest, actor="tests")
    assert someone.get("/").headers["location"] == "/sign-in"


def test_a_session_opens_no_api_and_a_bearer_token_no_page(api: Any, visitor: MakeVisitor) -> None:
    assert visitor("manager").get("/v1/kits").status_code == 401
    assert api.manager.get("/").status_code == 303


def test_a_workshop_sees_nothing_of_the_fleet(visitor: MakeVisitor) -> None:
    someone = visitor("workshop", workshop_name="North")
    refused = someone.get("/action-list.csv")
    assert refused.status_code == 403
    assert "manage the fleet" in text_of(refused)


def test_a_token_of_several_fleets_goes_from_one_to_the_other(
    api: Any, visitor: MakeVisitor
) -> None:
    api.add_fleet("south")
    api.add_fleet("west")
    someone = visitor("manager", fleets=["fleet", "south"])
    assert "fleet fleet" in text_of(someone.get("/"))
    assert someone.send("/", "/fleet", fleet="south").status_code == 303
    assert "manager, fleet south" in text_of(someone.get("/"))
    assert someone.send("/", "/fleet", fleet="west").status_code == 404


def test_every_page_lets_only_this_server_in(visitor: MakeVisitor) -> None:
    someone = visitor("manager")
    for path in ("/", "/sign-in", "/no-such-page"):
        answer = someone.get(path, headers={"Accept": "text/html"})
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy and "http" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        # Nothing inside the page that the policy would have to allow.
        assert "<style" not in answer.text and " style=" not in answer.text
        assert "<script>" not in answer.text and " onclick" not in answer.text


def test_static_files_may_be_kept_and_nothing_else_is_given(visitor: MakeVisitor) -> None:
    someone = visitor()
    sheet = someone.get("/static/pages.css")
    assert sheet.headers["content-type"] == "text/css; charset=utf-8"
    assert "immutable" in sheet.headers["cache-control"]
    for path in ("/static/base.html", "/static/..%2Frendering.py", "/static/"):
        assert someone.get(path).status_code == 404


def test_a_missing_page_is_a_page_for_browsers_and_a_problem_for_programs(
    visitor: MakeVisitor,
) -> None:
    someone = visitor()
    page = someone.get("/nowhere", headers={"Accept": "text/html,*/*"})
    assert page.status_code == 404 and "no page at this address" in text_of(page)
    told = someone.get("/nowhere", headers={"Accept": "application/json"})
    assert told.headers["content-type"] == "application/problem+json"


def test_a_form_of_another_type_or_too_long_is_refused(visitor: MakeVisitor) -> None:
    someone = visitor()
    assert someone.client.post("/sign-in", json={"token": "x"}).status_code == 415
    assert someone.client.post("/sign-in", data={"token": "x" * (1 << 20)}).status_code == 413
