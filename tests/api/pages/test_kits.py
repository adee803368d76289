"""The pages of kits: which read off, one kit's past, and a calibration recorded once."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

import pyarrow as pa
import pytest
from playwright.sync_api import Page
from sqlalchemy import select

from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.ingest import accept
from fleetdb.store.tables import KitCalibrationRow
from fleetdb.trend.kit_table import KIT_BIAS, KITS
from fleetdb.warehouse.snapshot import publish
from tests.api.pages.browsing import SIZES, assert_accessible, assert_pictures_drawn, sign_in
from tests.api.pages.conftest import Visitor, text_of
from tests.api.pages.selects import counting_selects
from tests.api.pages.test_action_list import HOSTILE
from tests.documents import Kind, document_of

MakeVisitor = Callable[..., Visitor]
NASTY = HOSTILE.replace("<img src=x>", "<b>/..")


def kit(name: str, bias_pct: float, p_off: float, **fields: Any) -> dict[str, Any]:
    return {
        "kit": name,
        "bias_pct": bias_pct,
        "sd_bias_pct": 0.5,
        "probability_off": p_off,
        "reads_off": p_off >= 0.8,
        "off_since": datetime(2025, 2, 1, 8) if p_off >= 0.8 else None,  # noqa: DTZ001
        "n_tests": 40,
        "last_test_at": datetime(2025, 3, 1, 8),  # noqa: DTZ001 - bare UTC, as published
        "verdicts_touched": 7,
        **fields,
    }


def past(name: str) -> list[dict[str, Any]]:
    """Reads true in January 2025 and 5 % low in February (25.0 is 2024-12-31 06:00)."""
    return [
        {"kit": name, "at_y": 25.02, "ln_bias": 0.0, "var_ln_bias": 1e-4, "p_off": 0.01},
        {"kit": name, "at_y": 25.1, "ln_bias": -0.0513, "var_ln_bias": 1e-4, "p_off": 0.99},
    ]


def name_kits(api: Any, *names: str) -> None:
    """Have documents name kits: calibrations of long ago, which register them."""
    with api.store.write() as session:
        for name in names:
            document = document_of(
                Kind.KIT_CALIBRATIONS, kit=name, calibrated_at="2024-01-10T09:00:00Z"
            )
            accept(session, resolve_fleet(session, None).id, Kind.KIT_CALIBRATIONS, document, "t")


def publish_kits(api: Any, *rows: dict[str, Any]) -> None:
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    tables = {
        "kits": pa.Table.from_pylist(rows, KITS),
        "kit_bias": pa.Table.from_pylist([m for row in rows for m in past(row["kit"])], KIT_BIAS),
    }
    publish(api.settings.home, fleet_id, tables, {"as_of": "2025-04-01T00:00:00Z"})


@pytest.fixture
def kits_api(any_api: Any) -> Any:
    name_kits(any_api, "K-1", "K-2", "K-3", "K-4")
    publish_kits(
        any_api, kit("K-1", -3.5, 0.9), kit("K-2", 0.4, 0.01), kit("K-3", 6.1, 0.99, n_tests=1)
    )
    return any_api


def manager_of(api: Any) -> Visitor:
    made = Visitor(api.client())
    assert made.sign_in(api.token("manager")).status_code == 303
    return made


def names(text: str) -> list[str]:
    return re.findall(r'class="number" href="[^"]*">([^<]*)<', text)


def test_kits_that_read_off_come_first_and_the_farthest_off_before_others(kits_api: Any) -> None:
    shown = manager_of(kits_api).get("/kits")
    assert names(shown.text) == ["K-3", "K-1", "K-2", "K-4"]
    words = text_of(shown)
    for said in (
        "2 of 4 kits most likely read more than 2.5 % off",
        "▲ high: +6.1 ± 0.5 % since 2025-02-01 verdicts touched 7 told by 1 test last test",
        "▼ low: -3.5 ± 0.5 %",
        "● within 2.5 %: +0.4 ± 0.5 %",
        "K-4 not known – last test – calibrated 2024-01-10",
        "As of 2025-04-01 00:00 UTC.",
    ):
        assert said in words, said


def test_kits_are_looked_for_by_a_part_of_their_name(kits_api: Any) -> None:
    manager = manager_of(kits_api)
    assert names(manager.get("/kits?kit=k-2").text) == ["K-2"]
    assert "No kit like that reads off" in text_of(manager.get("/kits?kit=k-2"))
    assert "None like that." in text_of(manager.get("/kits?kit=nothing"))
    assert names(manager.get("/kits?kit=%25").text) == []


def test_many_kits_come_in_pages_with_a_bounded_number_of_queries(
    api: Any, visitor: MakeVisitor
) -> None:
    manager = visitor("manager")
    counts = []
    for n in (1, 120):
        name_kits(api, *(f"K-{n}-{k:03}" for k in range(n)))
        with counting_selects() as statements:
            manager.get("/kits")
        counts.append(len(statements))
    assert counts[0] == counts[1] <= 5
    seen: list[str] = []
    path = "/kits"
    while path:
        shown = manager.get(path).text
        seen += names(shown)
        further = re.search(r'rel="next" href="([^"]+)"', shown)
        path = further[1].replace("&amp;", "&") if further else ""
    assert seen == ["K-1-000", *(f"K-120-{k:03}" for k in range(120))]


def test_a_kits_page_tells_how_it_reads_since_when_and_its_calibrations(kits_api: Any) -> None:
    manager = manager_of(kits_api)
    with counting_selects() as statements:
        words = text_of(manager.get("/kits/K-1"))
    assert len(statements) <= 6
    for said in (
        "Reads ▼ low: -3.5 ± 0.5 %",
        "More than 2.5 % off with a probability of 90 %",
        "Off since 2025-02-01",
        "Fitted pumps tested with it in the last year, or since it reads off 7",
        "2025-02-05 -5.0 % 1.0 % 99 %",
        "2025-01-07 +0.0 % 1.0 % 1 %",
        "2024-01-10 09:00 UTC note bench, two points",
    ):
        assert said in words, said


def test_its_picture_is_drawn_with_the_same_in_words(kits_api: Any) -> None:
    drawn = manager_of(kits_api).get("/kits/K-1/bias.svg")
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert "last -5.0 %" in drawn.text and "It read off at 1 of 2 moments." in drawn.text
    assert "Calibrated 2024-01-10." in drawn.text


def test_a_kit_nobody_has_named_has_no_page(kits_api: Any) -> None:
    manager = manager_of(kits_api)
    for path in ("/kits/K-9", "/kits/K-9/bias.svg"):
        assert manager.get(path).status_code == 404
    sent = manager.send("/kits/K-1", "/kits/K-9/calibrations", **calibration())
    assert sent.status_code == 404


def calibration(**fields: str) -> dict[str, str]:
    return {
        "calibration_id": str(uuid.uuid4()),
        "calibrated_at": "2025-03-02T09:30",
        "utc_offset": "+00:00",
        "note": "bench",
        **fields,
    }


def stored(api: Any) -> list[tuple[datetime, str | None]]:
    with api.store.read() as session:
        rows = session.scalars(select(KitCalibrationRow).order_by(KitCalibrationRow.id))
        return [(row.calibrated_at, row.note) for row in rows][4:]


def test_a_calibration_is_recorded_once_however_often_the_form_is_sent(kits_api: Any) -> None:
    manager = manager_of(kits_api)
    fields = calibration()
    for _ in range(2):
        sent = manager.send("/kits/K-1", "/kits/K-1/calibrations", **fields)
        assert (sent.status_code, sent.headers["location"]) == (303, "/kits/K-1?recorded=true")
    assert stored(kits_api) == [(datetime(2025, 3, 2, 9, 30, tzinfo=UTC), "bench")]
    assert "✓ The calibration is recorded." in text_of(manager.get("/kits/K-1?recorded=true"))


def test_the_same_form_with_other_contents_is_told_and_can_be_sent_anew(kits_api: Any) -> None:
    manager = manager_of(kits_api)
    fields = calibration()
    manager.send("/kits/K-1", "/kits/K-1/calibrations", **fields)
    again = manager.send(
        "/kits/K-1", "/kits/K-1/calibrations", **fields | {"calibrated_at": "2025-03-03T09:30"}
    )
    assert again.status_code == 422
    assert "sent before, with another time" in text_of(again)
    assert len(stored(kits_api)) == 1
    fresh = re.search(r'name="calibration_id" value="([^"]+)"', again.text)
    assert fresh and fresh[1] != fields["calibration_id"]
    assert 'value="2025-03-03T09:30"' in again.text


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("calibrated_at", "2999-01-01T00:00", "is in the future"),
        ("calibrated_at", "", "is required"),
        ("calibrated_at", "noon", "expected a date and a time"),
        ("utc_offset", "CET", "choose how far the clock was from UTC"),
        ("note", "x" * 2001, "2000"),
        ("calibration_id", "1", "UUID"),
    ],
)
def test_what_cannot_be_recorded_is_told_and_kept_in_the_form(
    kits_api: Any, field: str, value: str, told: str
) -> None:
    fields = calibration(**{field: value})
    refused = manager_of(kits_api).send("/kits/K-1", "/kits/K-1/calibrations", **fields)
    assert refused.status_code == 422
    assert told in text_of(refused)
    assert f'value="{fields["calibrated_at"]}"' in refused.text
    assert stored(kits_api) == []


def test_without_the_forms_key_nothing_is_recorded(kits_api: Any) -> None:
    manager = manager_of(kits_api)
    answer = manager.client.post("/kits/K-1/calibrations", data=calibration())
    assert answer.status_code == 403
    assert stored(kits_api) == []


def test_a_workshop_sees_no_kits_and_records_no_calibration(api: Any, visitor: MakeVisitor) -> None:
    name_kits(api, "K-1")
    someone = visitor("workshop", workshop_name="North")
    for path in ("/kits", "/kits/K-1", "/kits/K-1/bias.svg"):
        assert someone.get(path).status_code == 403
    assert someone.client.post("/kits/K-1/calibrations", data=calibration()).status_code == 403


def test_a_hostile_name_is_text_and_its_kit_is_reached(api: Any, visitor: MakeVisitor) -> None:
    name_kits(api, NASTY)
    publish_kits(api, kit(NASTY, -3.5, 0.9))
    manager = visitor("manager")
    listed = manager.get("/kits")
    address = re.search(r'class="number" href="([^"]+)"', listed.text)
    assert address and address[1] == f"/kits/{quote(NASTY, safe='')}"
    page = manager.get(address[1])
    for shown in (listed, page):
        assert "<script>alert" not in shown.text and "&lt;script&gt;alert(1)" in shown.text
    drawn = manager.get(f"{address[1]}/bias.svg")
    assert drawn.status_code == 200 and "<script>" not in drawn.text
    sent = manager.send(address[1], f"{address[1]}/calibrations", **calibration())
    assert sent.headers["location"] == f"{address[1]}?recorded=true"


def test_a_new_fleet_is_told_what_to_send(visitor: MakeVisitor) -> None:
    assert "No test has named a kit yet" in text_of(visitor("manager").get("/kits"))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_against_them(
    api: Any, open_page: Callable[..., Page], size: str, scheme: str
) -> None:
    page = open_page(size, scheme)
    sign_in(page, api.token("manager"))
    page.goto("/kits")
    assert_accessible(page)  # a fleet without kits
    name_kits(api, "K-1", NASTY)
    publish_kits(api, kit("K-1", -3.5, 0.9))
    page.goto("/kits")
    assert_accessible(page)
    page.get_by_role("link", name="K-1").click()
    page.get_by_text("The same by months").click()
    assert_pictures_drawn(page)
    assert_accessible(page)
    page.get_by_label("Calibrated at").fill("2999-01-01T10:00")
    page.get_by_role("button", name="Record it").click()
    assert "in the future" in page.get_by_role("alert").inner_text()
    assert_accessible(page)
    page.get_by_label("Calibrated at").fill("2025-03-02T10:00")
    page.get_by_role("button", name="Record it").click()
    assert "is recorded" in page.get_by_role("status").inner_text()
    assert_accessible(page)
