"""Rows of a sheet: each stored or refused by itself, and none stored twice."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import func, select

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.sheet_columns import Column
from fleetdb.records.sheet_times import Clock, DateOrder
from fleetdb.store.engine import Store
from fleetdb.store.queries import record_view
from fleetdb.store.sheet_loading import (
    Outcome,
    Reading,
    Row,
    RowReport,
    load_rows,
    preview_rows,
)
from fleetdb.store.tables import TestRecordRow
from tests.documents import post, post_family_and_vehicle

CLOCK = Clock(DateOrder.DAY_FIRST, ZoneInfo("UTC"))
COLUMNS = [Column("vehicle"), Column("performed_at"), Column("actual"), Column("note")]
READING = Reading(COLUMNS, ".", CLOCK)
GOOD: list[Row] = [
    (2, ["V-17", "2024-06-03 08:30", "650", "warm"]),
    (3, ["V-17", "2024-06-04 08:30", 640.0, ""]),
]


@pytest.fixture
def fleet(store: Store) -> Store:
    post_family_and_vehicle(store)
    return store


def north(record: TestRecord) -> TestRecord:
    return record.model_copy(update={"workshop": record.workshop or "North"})


def load(store: Store, rows: list[Row], reading: Reading = READING, **more: Any) -> list[RowReport]:
    options: dict[str, Any] = {"fleet": (1, "fleet"), "sign": north, "token_id": None, **more}
    return load_rows(store, rows=rows, reading=reading, actor="tests", **options)


def outcomes(reports: list[RowReport]) -> list[tuple[int, str]]:
    return [(report.number, report.outcome.value) for report in reports]


def count(store: Store) -> int:
    with store.read() as session:
        return session.scalar(select(func.count()).select_from(TestRecordRow)) or 0


def test_each_row_is_taken_or_refused_by_itself_with_its_number_and_reason(fleet: Store) -> None:
    rows: list[Row] = [
        *GOOD,
        (5, ["V-9", "2024-06-03 08:30", "650", ""]),
        (6, ["V-17", "sometime", "650", ""]),
        (7, ["V-17", "2024-06-05", "9427", ""]),
        (8, ["", "2024-06-05", "six", ""]),
        (9, ["V-17", "2024-06-06", "", "no reading"]),
    ]
    reports = load(fleet, rows)
    assert outcomes(reports) == [
        (2, "accepted"),
        (3, "accepted"),
        *((number, "refused") for number in (5, 6, 7, 8, 9)),
    ]
    told = {report.number: report.problems for report in reports}
    assert [name for name, _ in told[5]] == ["vehicle"] and "no vehicle 'V-9'" in told[5][0][1]
    assert told[6] == [("performed_at", "is no date: write one such as 2026-03-01")]
    assert told[7][0][0] == "actual" and "was this psi?" in told[7][0][1]
    assert [name for name, _ in told[8]] == ["vehicle", "actual"]
    assert "holds no reading" in told[9][0][1]
    assert count(fleet) == 2
    first = reports[0].record
    assert first is not None and first.workshop == "North"
    with fleet.read() as session:
        stored = record_view(session, 1, first.record_id).document
    assert stored == first
    assert stored.proof is not None and stored.proof.target_bar == 700


def test_the_same_rows_again_store_nothing_in_whatever_units_and_order(fleet: Store) -> None:
    load(fleet, GOOD)
    assert outcomes(load(fleet, GOOD)) == [(2, "already_there"), (3, "already_there")]
    other = Reading(
        [Column("actual", "MPa"), Column("note"), Column("performed_at"), Column("vehicle")],
        ",",
        Clock(DateOrder.MONTH_FIRST, ZoneInfo("Europe/Oslo")),
    )
    # Norway is two hours before UTC in June.
    rows: list[Row] = [(9, ["65,0", "warm", "6/3/2024 10:30", "V-17"])]
    assert outcomes(load(fleet, rows, other)) == [(9, "already_there")]
    assert count(fleet) == 2


def test_ids_differ_between_fleets_workshops_and_contents(fleet: Store) -> None:
    def ids(**more: Any) -> list[Any]:
        return [report.record and report.record.record_id for report in load(fleet, GOOD, **more)]

    def south(record: TestRecord) -> TestRecord:
        return record.model_copy(update={"workshop": "South"})

    seen = [*ids(), *ids(sign=south), *ids(fleet=(1, "other"))]
    assert len(set(seen)) == 6 and ids() == seen[:2]


def test_two_rows_that_say_the_same_count_once_and_are_told(fleet: Store) -> None:
    twice: list[Row] = [GOOD[0], (4, GOOD[0][1]), (5, [*GOOD[0][1][:3], "a second run"])]
    reports = load(fleet, twice)
    assert outcomes(reports) == [(2, "accepted"), (4, "already_there"), (5, "accepted")]
    assert any("says the same as row 2" in remark for remark in reports[1].remarks)
    assert count(fleet) == 2


def test_another_test_at_that_very_time_is_remarked(fleet: Store) -> None:
    post(fleet, Kind.TEST_RECORDS, performed_at="2024-06-03T08:30:00Z")
    first, second = load(fleet, GOOD)
    assert any("at this very time is stored already" in remark for remark in first.remarks)
    assert not any("very time" in remark for remark in second.remarks)


def test_what_may_not_be_signed_is_refused_at_its_entry(fleet: Store) -> None:
    def refuse(record: TestRecord) -> TestRecord:
        raise InvalidInputError.at("/workshop", "not yours")

    reports = load(fleet, GOOD, sign=refuse)
    assert [report.problems for report in reports] == [[("workshop", "not yours")]] * 2
    assert count(fleet) == 0


def test_a_workshop_is_given_to_rows_that_name_none(fleet: Store) -> None:
    reading = Reading([*COLUMNS[:3], Column("workshop")], ".", CLOCK, "Quay")
    rows: list[Row] = [
        (2, ["V-17", "2024-06-03", "650", ""]),
        (3, ["V-17", "2024-06-04", "650", "Hill"]),
    ]
    reports = load(fleet, rows, reading, sign=lambda record: record)
    assert [report.record and report.record.workshop for report in reports] == ["Quay", "Hill"]


def test_a_preview_says_what_loading_would_and_stores_nothing(fleet: Store) -> None:
    rows: list[Row] = [*GOOD, (5, ["V-9", "2024-06-03", "650", ""]), (6, ["V-17", "x", "", ""])]
    with fleet.read() as session:
        preview = preview_rows(session, (1, "fleet"), rows, READING, north, None)
    assert count(fleet) == 0
    loaded = load(fleet, rows)
    assert outcomes(preview) == outcomes(loaded)
    for seen, done in zip(preview, loaded, strict=True):
        assert (seen.problems, seen.remarks) == (done.problems, done.remarks)


def test_many_rows_go_in_batches(fleet: Store) -> None:
    rows: list[Row] = [
        (n, ["V-17", f"2024-06-03 08:{n // 60 % 60:02}:{n % 60:02}", 600 + n / 100, ""])
        for n in range(2, 1_203)
    ]
    reports = load(fleet, rows)
    assert {report.outcome for report in reports} == {Outcome.ACCEPTED}
    assert [report.number for report in reports] == list(range(2, 1_203))
    assert count(fleet) == 1_201


@pytest.mark.parametrize(
    ("columns", "problem"),
    [
        (COLUMNS[1:], ("vehicle", "is in no column: choose one")),
        (COLUMNS[:1], ("performed_at", "is in no column: choose one")),
        ([*COLUMNS, Column("actual")], ("actual", "is chosen for more than one column")),
        ([*COLUMNS, Column("odometer", "psi")], ("odometer", "Odometer is not read in psi")),
    ],
)
def test_a_reading_that_cannot_be_is_told(columns: list[Column], problem: tuple[str, str]) -> None:
    assert Reading(columns, ".", CLOCK).problems() == [problem]
    assert READING.problems() == []
