"""Tests from a file: choose it, say what its columns hold, see how rows are read, load them.

The browser carries the table from step to step: the server keeps no file.
"""

from __future__ import annotations

import csv
import io
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Annotated, Any, Self

from fastapi.responses import Response
from pydantic import BaseModel, Field, model_validator

from api.calls import Call
from api.pages.file_forms import CarriedFields, SentFile
from api.pages.packing import pack, unpack
from api.pages.rendering import page
from api.pages.routing import page_router
from api.pages.visits import AnyVisit, Visit, require_form_key
from api.sent import note, typed_again, typed_refused
from api.workshops import from_workshop_of
from fleetdb.cautions import WORKING_CAUTIONS
from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.records.sheet_columns import (
    PERFORMED,
    TIME,
    VEHICLE,
    Column,
    guess_columns,
    guess_decimal_mark,
    other_units,
)
from fleetdb.records.sheet_times import Clock, DateOrder, guess_order, zone_called, zone_names
from fleetdb.records.sheets import MOST_BYTES, MOST_COLUMNS, MOST_ROWS, Cell, Sheet, read_sheet
from fleetdb.records.typed_record import ENTRIES, inside_unit, typed_texts
from fleetdb.report.spreadsheet_safe import safe_text
from fleetdb.store.kits import workshop_names
from fleetdb.store.sent_counts import Sent
from fleetdb.store.sheet_loading import Outcome, Reading, RowReport, load_rows, preview_rows
from fleetdb.store.vehicle_lookup import most_cylinders

router = page_router()

_TITLE = "Upload a file"
_PREVIEWED = 8
_LISTED = 300
_SAMPLES = 3
_LABELS = {
    VEHICLE: "Vehicle (fleet number)",
    PERFORMED: "Date, or date and time",
    TIME: "Time of day",
    **{
        name: f"{entry.label}, leak" if name.startswith("leak_") else entry.label
        for name, entry in ENTRIES.items()
    },
}
_ORDERS = [
    (DateOrder.DAY_FIRST.value, "day first: 31.12.2025, 31/12/2025"),
    (DateOrder.MONTH_FIRST.value, "month first: 12/31/2025"),
]
_MARKS = [(".", "a point: 38.5"), (",", "a comma: 38,5")]


class _Table(BaseModel):
    """A table as the browser carries it."""

    name: Annotated[str, Field(max_length=300)]
    header: Annotated[list[str], Field(min_length=1, max_length=MOST_COLUMNS)]
    rows: Annotated[list[tuple[int, list[str | float]]], Field(max_length=MOST_ROWS)]
    said: list[str]

    @model_validator(mode="after")
    def _is_as_wide_as_its_header(self) -> Self:
        if any(len(cells) != len(self.header) for _, cells in self.rows):
            raise ValueError("a row is not as wide as the header")
        return self


class _Refused(BaseModel):
    """The refused rows of a table, with the reasons."""

    header: list[str]
    rows: list[tuple[int, str, list[str | float]]]


@router.get("/record/file")
def get_upload(visit: AnyVisit) -> Response:
    """Ask for the file."""
    return _ask(visit, None)


@router.post("/record/file")
def post_file(visit: AnyVisit, form: SentFile) -> Response:
    """Read the file and show what its columns most likely hold."""
    require_form_key(form.fields, visit.secret)
    sheet = _sheet(form.content)
    if isinstance(sheet, InvalidInputError):
        return _ask(visit, sheet.problems[0].detail)
    table = _Table(name=form.name[-300:], header=sheet.header, rows=sheet.rows, said=sheet.said)
    columns = guess_columns(sheet.header)
    dates = [i for i, column in enumerate(columns) if column.entry == PERFORMED]
    order, is_sure = guess_order(str(cells[i]) for _, cells in sheet.rows for i in dates)
    if not is_sure:
        table.said.append("Whether the day or the month comes first cannot be told: choose below.")
    fields = {
        "decimal_mark": guess_decimal_mark(cells for _, cells in sheet.rows),
        "date_order": order.value,
        "zone": form.fields.get("zone", ""),
        "workshop": "",
    }
    return _columns(visit, table, columns, fields)


@router.post("/record/file/rows")
def post_rows(visit: AnyVisit, form: CarriedFields) -> Response:
    """Show how the rows are read as chosen or, with ``intent`` load, store them."""
    require_form_key(form, visit.secret)
    table = unpack(_Table, form.get("table", ""))
    columns = [
        Column(form.get(f"column_{i}", ""), form.get(f"unit_{i}", ""))
        for i in range(len(table.header))
    ]
    reading = _reading(columns, form)
    if form.get("intent") != "load" or isinstance(reading, str) or reading.problems():
        return _columns(visit, table, columns, form)
    call = visit.call
    reports = load_rows(
        call.store,
        (call.fleet_id, call.fleet),
        table.rows,
        reading,
        partial(from_workshop_of, call),
        call.actor,
        call.caller.token_id,
    )
    for report in reports:
        call.services.metrics.count_document(Kind.TEST_RECORDS.value, report.outcome.value)
    note(call, _not_stored(call, reading, reports))
    return _report(visit, table, reports)


def _not_stored(call: Call, reading: Reading, reports: Sequence[RowReport]) -> Counter[Sent]:
    sent: Counter[Sent] = Counter()
    for report in reports:
        workshop = (report.record and report.record.workshop) or reading.workshop
        if report.outcome is Outcome.REFUSED:
            sent[typed_refused(call, report.problems[0][0], workshop)] += 1
        elif report.outcome is Outcome.ALREADY_THERE:
            sent[typed_again(call, workshop)] += 1
    return sent


@router.post("/record/file/refused.csv")
def post_refused(visit: AnyVisit, form: CarriedFields) -> Response:
    """Give the refused rows back as CSV, with their numbers and the reasons."""
    require_form_key(form, visit.secret)
    refused = unpack(_Refused, form.get("refused", ""))
    target = io.StringIO()
    writer = csv.writer(target)
    writer.writerow(["row", "reason", *map(safe_text, refused.header)])
    for number, reason, cells in refused.rows:
        writer.writerow([number, safe_text(reason), *(_plain(cell) for cell in cells)])
    headers = {"Content-Disposition": 'attachment; filename="refused-rows.csv"'}
    # The mark at its beginning tells spreadsheet programs that it is UTF-8.
    content = "\ufeff" + target.getvalue()
    return Response(content, media_type="text/csv; charset=utf-8", headers=headers)


def _plain(cell: Cell) -> str:
    return safe_text(cell) if isinstance(cell, str) else f"{cell!r}".removesuffix(".0")


def _sheet(content: bytes) -> Sheet | InvalidInputError:
    try:
        return read_sheet(content)
    except InvalidInputError as error:
        return error


def _reading(columns: Sequence[Column], form: Mapping[str, str]) -> Reading | str:
    """Return how the sheet is to be read, or what is wrong with its clock."""
    mark = "," if form.get("decimal_mark") == "," else "."
    is_month_first = form.get("date_order") == DateOrder.MONTH_FIRST.value
    order = DateOrder.MONTH_FIRST if is_month_first else DateOrder.DAY_FIRST
    known = [column if column.entry in _LABELS else Column() for column in columns]
    try:
        clock = Clock(order, zone_called(form.get("zone", "")))
    except ValueError:
        return "choose where the clocks are that the times were read from"
    return Reading(known, mark, clock, form.get("workshop", ""))


def _ask(visit: Visit, told: str | None) -> Response:
    context = {
        "visit": visit,
        "title": _TITLE,
        "told": told,
        "most_mib": MOST_BYTES >> 20,
        "most_rows": MOST_ROWS,
        "cautions": WORKING_CAUTIONS,
    }
    return page("upload.html", context, 200 if told is None else 422)


def _columns(
    visit: Visit, table: _Table, columns: Sequence[Column], fields: Mapping[str, str]
) -> Response:
    call = visit.call
    reading = _reading(columns, fields)
    problems: list[tuple[str, str]] = (
        [("zone", reading)] if isinstance(reading, str) else reading.problems()
    )
    reports: list[RowReport] = []
    with call.store.read() as session:
        if isinstance(reading, Reading) and not problems:
            reports = preview_rows(
                session,
                (call.fleet_id, call.fleet),
                table.rows[:_PREVIEWED],
                reading,
                partial(from_workshop_of, call),
                call.caller.token_id,
            )
        cylinders = most_cylinders(session, call.fleet_id)
        workshops = workshop_names(session, call.fleet_id) if visit.is_manager else []
    chosen = {column.entry for column in columns}
    context = {
        "visit": visit,
        "title": _TITLE,
        "name": table.name,
        "said": table.said,
        "n_rows": len(table.rows),
        "packed": pack(table),
        "columns": [
            (name, _samples(table, i), column)
            for i, (name, column) in enumerate(zip(table.header, columns, strict=True))
        ],
        "entries": [
            (name, label)
            for name, label in _LABELS.items()
            if _is_offered(name, cylinders) or name in chosen
        ],
        "units": other_units(),
        "problems": [(_LABELS.get(name, ""), text) for name, text in problems],
        "preview": [_row(report) for report in reports],
        "fields": defaultdict(str, fields),
        "marks": _MARKS,
        "orders": _ORDERS,
        "zones": zone_names(),
        "chooses_workshop": visit.is_manager or call.caller.workshop_name is None,
        "workshops": workshops,
    }
    return page("upload_columns.html", context, 200)


def _is_offered(name: str, cylinders: int) -> bool:
    number = name.removeprefix("leak_")
    return not number.isdecimal() or int(number) <= cylinders


def _samples(table: _Table, i: int) -> list[str]:
    filled = (cells[i] for _, cells in table.rows if cells[i] != "")
    return [str(cell)[:40] for cell, _ in zip(filled, range(_SAMPLES), strict=False)]


def _row(report: RowReport) -> dict[str, Any]:
    record = report.record
    texts = {} if record is None else typed_texts(record)
    return {
        "number": report.number,
        "outcome": report.outcome.value,
        "record": record,
        "entries": [f"{_LABELS[name]} {_shown(name, text)}" for name, text in texts.items()],
        "problems": [
            f"{_LABELS[name]}: {text}" if name in _LABELS else text
            for name, text in report.problems
        ],
        "remarks": report.remarks,
    }


def _shown(name: str, text: str) -> str:
    entry = ENTRIES[name]
    return text if entry.is_text else f"{float(text):.7g} {inside_unit(entry)}"


def _report(visit: Visit, table: _Table, reports: Sequence[RowReport]) -> Response:
    rows = [_row(report) for report in reports]
    reasons = {row["number"]: "; ".join(row["problems"]) for row in rows}
    refused = [
        (number, reasons[number], cells)
        for (number, cells), report in zip(table.rows, reports, strict=True)
        if report.outcome is Outcome.REFUSED
    ]
    # What somebody must look at comes first.
    rows.sort(key=lambda row: (row["outcome"] != "refused", not row["remarks"], row["number"]))
    context = {
        "visit": visit,
        "title": _TITLE,
        "name": table.name,
        "counts": Counter(report.outcome.value for report in reports),
        "rows": rows[:_LISTED],
        "n_left": max(0, len(rows) - _LISTED),
        "refused": pack(_Refused(header=table.header, rows=refused)) if refused else None,
    }
    return page("upload_report.html", context)
