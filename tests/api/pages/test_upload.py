"""Tests from a file, step by step: read, mapped, seen, loaded, reported."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from typing import Any

import httpx
import pytest

from api.examples import DOCUMENTS
from fleetdb.records.documents import Kind
from fleetdb.records.sheets import MOST_BYTES
from tests.api.pages.conftest import MakeVisitor, Visitor, text_of
from tests.api.pages.test_record_test import HOSTILE, document, stored
from tests.fleetdb.records.test_sheets import bomb, workbook

HEADER = ["Fleet no.", "Date", "Rail pressure (psi)", "Fuel temp °F", "Gauge", "Leak cyl 2"]
GOOD = [
    ["V-0107", "1.3.2025 08:30", "9427,5", "72,5", "K-3", ""],
    ["V-0107", "13.3.2025 08:30", "9400", "70", "K-3", ""],
]
BAD = [
    ["V-9", "14.3.2025 08:30", "9400", "70", "K-3", ""],
    ["V-0107", "32.3.2025 08:30", "9400", "70", "K-3", ""],
    ["V-0107", "15.3.2025 08:30", "94000", "70", "K-3", ""],
]


def as_csv(*rows: list[str]) -> bytes:
    target = io.StringIO()
    csv.writer(target, delimiter=";").writerows([HEADER, *rows])
    return target.getvalue().encode()


def send(
    someone: Visitor, content: bytes, name: str = "tests.csv", **fields: str
) -> httpx.Response:
    key = someone.form_key("/record/file")
    data = {"form_key": key, "zone": "Europe/Oslo", **fields}
    return someone.client.post("/record/file", data=data, files={"file": (name, content)})


def fields_of(answer: httpx.Response) -> dict[str, str]:
    """The fields of the form of columns, as a browser would send them unchanged."""
    fields = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', answer.text))
    for name, options in re.findall(
        r'<select[^>]* name="(\w+)"[^>]*>(.*?)</select>', answer.text, re.DOTALL
    ):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)<', options)
        fields[name] = "" if chosen is None else unescape(chosen[1] or chosen[2])
    return {name: unescape(value) for name, value in fields.items()}


def load(someone: Visitor, shown: httpx.Response, **fields: str) -> httpx.Response:
    data = {**fields_of(shown), "intent": "load", **fields}
    return someone.client.post("/record/file/rows", data=data)


@pytest.fixture
def technician(any_fleet_api: Any) -> Visitor:
    visitor = Visitor(any_fleet_api.client())
    assert visitor.sign_in(any_fleet_api.token("workshop", workshop_name="North")).is_redirect
    return visitor


def test_a_file_is_read_previewed_and_loaded_row_by_row(
    any_fleet_api: Any, technician: Visitor
) -> None:
    shown = send(technician, as_csv(*GOOD, *BAD))
    told = text_of(shown)
    assert "5 rows. Nothing is stored yet" in told
    fields = fields_of(shown)
    chosen = [(fields[f"column_{i}"], fields[f"unit_{i}"]) for i in range(len(HEADER))]
    assert chosen == [
        ("vehicle", ""),
        ("performed_at", ""),
        ("actual", "psi"),
        ("fuel_temp", "°F"),
        ("kit", ""),
        ("leak_2", ""),
    ]
    assert (fields["decimal_mark"], fields["date_order"]) == (",", "day_first")
    # As it would be understood: 9427.5 psi, half past eight in Norway in winter, 72.5 °F.
    for words in (
        "2025-03-01 07:30 UTC",
        "Pressure reached 650.0032 bar",
        "Fuel temperature 22.5 °C",
    ):
        assert words in told
    assert stored(any_fleet_api) == []

    report = load(technician, shown)
    told = text_of(report)
    for words in ("2 stored now", "0 already there", "3 refused"):
        assert words in told
    for number, words in (
        ("4", "no vehicle 'V-9'"),
        ("5", "is no date"),
        ("6", "above ridge-16's"),
    ):
        assert re.search(rf"row {number} .*?✕ refused .*?{words}", told)
    first, _ = stored(any_fleet_api)
    record = document(any_fleet_api, first)
    assert (record["workshop"], record["kit"]) == ("North", "K-3")
    # NIST SP 811 (2008), Appendix B.8.
    assert record["proof"]["actual_bar"] == pytest.approx(9427.5 * 6.894757e-2, rel=1e-15)

    again = load(technician, send(technician, as_csv(*GOOD, *BAD)))
    assert "0 stored now" in text_of(again) and "2 already there" in text_of(again)
    assert len(stored(any_fleet_api)) == 2


def test_the_same_table_as_a_workbook_stores_nothing_more(
    any_fleet_api: Any, technician: Visitor
) -> None:
    load(technician, send(technician, as_csv(*GOOD)))
    content = workbook(HEADER, *([*row[:2], *row[2:]] for row in GOOD))
    report = load(technician, send(technician, content, "tests.xlsx"))
    assert "2 already there" in text_of(report)
    assert len(stored(any_fleet_api)) == 2


def test_columns_units_and_dates_can_be_chosen_otherwise(
    any_fleet_api: Any, technician: Visitor
) -> None:
    shown = send(technician, as_csv(["V-0107", "3/1/2025 08:30", "650", "22", "K-3", ""]))
    assert "cannot be told: choose below" in text_of(shown)
    changed = {"unit_2": "", "unit_3": "", "date_order": "month_first", "column_4": "note"}
    looked = technician.client.post(
        "/record/file/rows", data={**fields_of(shown), **changed, "intent": "look"}
    )
    assert "2025-03-01 07:30 UTC" in text_of(looked)
    assert "Pressure reached 650 bar" in text_of(looked) and stored(any_fleet_api) == []
    load(technician, looked)
    record = document(any_fleet_api, stored(any_fleet_api)[0])
    assert record["note"] == "K-3" and "kit" not in record
    assert (record["proof"]["actual_bar"], record["conditions"]["fuel_temp_c"]) == (650, 22)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"column_0": ""}, "Vehicle (fleet number) is in no column"),
        ({"column_1": "vehicle"}, "is chosen for more than one column"),
        ({"unit_2": "miles"}, "Pressure reached is not read in miles"),
        ({"zone": "Nowhere/Land"}, "choose where the clocks are"),
    ],
)
def test_a_reading_that_cannot_be_loads_nothing(
    fleet_api: Any, visitor: MakeVisitor, fields: dict[str, str], words: str
) -> None:
    someone = visitor("workshop", workshop_name="North")
    answer = load(someone, send(someone, as_csv(*GOOD)), **fields)
    assert words in text_of(answer)
    assert stored(fleet_api) == []


def test_refused_rows_come_back_as_csv_with_the_reasons(
    fleet_api: Any, visitor: MakeVisitor
) -> None:
    someone = visitor("workshop", workshop_name="North")
    formula = ["V-9", "14.3.2025", "-4", "70", "=HYPERLINK(1)", ""]
    report = load(someone, send(someone, as_csv(*GOOD, *BAD, formula)))
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', report.text))
    answer = someone.client.post("/record/file/refused.csv", data=hidden)
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    rows = list(csv.reader(io.StringIO(answer.text.removeprefix("\ufeff"))))
    assert rows[0] == ["row", "reason", *HEADER]
    assert [row[0] for row in rows[1:]] == ["4", "5", "6", "7"]
    assert rows[1][2:] == BAD[0] and "no vehicle" in rows[1][1]
    # What a spreadsheet would run is text; a number stays one.
    assert rows[4][4:7] == ["-4", "70", "'=HYPERLINK(1)"]
    # Mended, the file of refused rows is taken as it is.
    mended = answer.content.replace(b"V-9", b"V-0107").replace(b",-4,", b",9500,")
    report = load(someone, send(someone, mended))
    assert "2 stored now" in text_of(report) and "2 refused" in text_of(report)


def test_a_workshop_sends_for_itself_and_a_manager_for_whom_it_chooses(
    fleet_api: Any, visitor: MakeVisitor
) -> None:
    content = b"vehicle,date,actual,workshop\nV-0107,2025-03-01,650,South\nV-0107,2025-03-02,650,\n"
    someone = visitor("workshop", workshop_name="North")
    report = load(someone, send(someone, content))
    assert "1 stored now" in text_of(report) and "sends for workshop 'North'" in text_of(report)
    manager = visitor("manager")
    report = load(manager, send(manager, content), workshop="Quay")
    assert "2 stored now" in text_of(report)
    workshops = [document(fleet_api, record_id)["workshop"] for record_id in stored(fleet_api)]
    assert sorted(workshops) == ["North", "Quay", "South"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no row below the header"),
        (b"\x89PNG\r\n\x1a\n\x81", "neither .xlsx nor text"),
        (b"PK\x03\x04 damaged", "no .xlsx file"),
        (bomb(200), "once unpacked"),
    ],
)
def test_a_file_that_cannot_be_read_is_told_and_asked_for_again(
    fleet_api: Any, visitor: MakeVisitor, content: bytes, words: str
) -> None:
    answer = send(visitor("workshop", workshop_name="North"), content)
    assert answer.status_code == 422
    assert words in text_of(answer) and 'type="file"' in answer.text


def test_what_is_too_long_or_damaged_or_forged_is_refused(
    fleet_api: Any, visitor: MakeVisitor
) -> None:
    someone = visitor("workshop", workshop_name="North")
    assert send(someone, b"x" * (MOST_BYTES + 100_000)).status_code == 413
    assert send(someone, as_csv(*GOOD), form_key="0" * 64).status_code == 403
    shown = send(someone, as_csv(*GOOD))
    assert load(someone, shown, form_key="0" * 64).status_code == 403
    for table in ("", "AAAA", "é", fields_of(shown)["table"][:-8]):
        answer = load(someone, shown, table=table)
        assert answer.status_code == 422
        assert "choose the file again" in text_of(answer)
    assert load(someone, shown, table="A" * (9 << 20)).status_code == 413
    key = someone.form_key("/record/file")
    no_file = someone.client.post("/record/file", data={"form_key": key})
    assert no_file.status_code == 415
    empty = someone.client.post("/record/file", files={"form_key": (None, key)})
    assert (empty.status_code, "choose a file first" in text_of(empty)) == (422, True)
    assert stored(fleet_api) == []


def test_hostile_cells_and_names_are_text(fleet_api: Any, visitor: MakeVisitor) -> None:
    fleet_api.manager.post("/v1/vehicles", json={**DOCUMENTS[Kind.VEHICLES], "vehicle": HOSTILE})
    someone = visitor("workshop", workshop_name="North")
    target = io.StringIO()
    rows = [["vehicle", "date", HOSTILE, "actual", "kit"]]
    rows += [[HOSTILE, "2025-03-01", HOSTILE, "650", HOSTILE], [HOSTILE, HOSTILE, "", HOSTILE, ""]]
    csv.writer(target).writerows(rows)
    shown = send(someone, target.getvalue().encode(), name=HOSTILE)
    report = load(someone, shown)
    assert "1 stored now" in text_of(report) and "1 refused" in text_of(report)
    for answer in (shown, report):
        assert "<script>alert" not in answer.text and "<img" not in answer.text
        assert "&lt;script&gt;alert(1)" in answer.text
