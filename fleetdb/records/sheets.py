"""Reading what a spreadsheet program saves, CSV or .xlsx, into rows of cells, within bounds."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, NoReturn

from fleetdb.errors import InvalidInputError

MOST_BYTES = 5 * 1024 * 1024
MOST_ROWS = 5_000
MOST_COLUMNS = 60
# 5,000 rows of 60 columns are some 15 MiB of XML.
_MOST_UNPACKED_BYTES = 48 * 1024 * 1024
_LONGEST_CELL = 2_000
_CHUNK_BYTES = 1 << 20
_DELIMITERS = ";\t,|"

Cell = str | float


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table: its header, and below it each row that is not blank, with its number.

    Rows are numbered as a spreadsheet program does, from 1, header and blank rows counted.
    Text is without blanks around it; dates are ISO 8601 text; an empty cell is "". ``said`` is
    what its sender should know of how it was read.
    """

    header: list[str]
    rows: list[tuple[int, list[Cell]]]
    said: list[str]


def read_sheet(content: bytes) -> Sheet:
    """Return the table in a CSV or .xlsx file.

    Raises
    ------
    InvalidInputError
        It is neither, damaged, too large, or holds no row below its header.
    """
    if len(content) > MOST_BYTES:
        _refuse(f"the file is larger than {MOST_BYTES >> 20} MiB: split it")
    said: list[str] = []
    if content.startswith(b"PK"):
        found = _workbook_rows(content, said)
    elif content.startswith(b"\xd0\xcf\x11\xe0"):
        _refuse("this is the format before .xlsx, or one with a password: save it as .xlsx or CSV")
    else:
        found = _csv_rows(content, said)
    numbered = [(number, _trimmed(row)) for number, row in found]
    filled = [(number, row) for number, row in numbered if row]
    if len(filled) < 2:
        _refuse("there is no row below the header")
    (number, header), *rows = filled
    said.append(f"Row {number} is taken as the header.")
    width = max(len(row) for _, row in filled)
    if width > MOST_COLUMNS:
        _refuse(f"there are {width} columns; at most {MOST_COLUMNS} are read")
    names = [str(cell) for cell in header] + [""] * (width - len(header))
    return Sheet(names, [(n, row + [""] * (width - len(row))) for n, row in rows], said)


def _trimmed(row: list[Cell]) -> list[Cell]:
    while row and row[-1] == "":
        row.pop()
    return row


def _csv_rows(content: bytes, said: list[str]) -> Iterator[tuple[int, list[Cell]]]:
    text = _text(content, said)
    header = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(_DELIMITERS, key=header.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        for number, row in enumerate(reader, 1):
            _require_room(number)
            yield number, [_cell(cell, number) for cell in row]
    except csv.Error as error:
        _refuse(f"line {reader.line_num} cannot be read as CSV: {error}")


def _text(content: bytes, said: list[str]) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _decoded(content, "utf-16")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        said.append("The file is not UTF-8; it was read as Windows-1252 (Western European).")
        return _decoded(content, "cp1252")


def _decoded(content: bytes, coding: str) -> str:
    try:
        return content.decode(coding)
    except UnicodeDecodeError:
        _refuse("the file is neither .xlsx nor text that can be read; save it as CSV in UTF-8")


def _workbook_rows(content: bytes, said: list[str]) -> Iterator[tuple[int, list[Cell]]]:
    # Slow to import, and few requests need it.
    from openpyxl import load_workbook

    try:
        workbook = load_workbook(
            io.BytesIO(_measured(content)), read_only=True, data_only=True, keep_links=False
        )
    except Exception as error:  # whatever a library makes of a damaged file
        raise InvalidInputError.at("", f"this is no .xlsx file that can be read: {error}") from None
    try:
        names = workbook.sheetnames
        if not workbook.worksheets:
            _refuse("the workbook has no sheet with cells")
        if len(names) > 1:
            said.append(f"Only the first sheet, {names[0]}, is read.")
        sheet: Any = workbook.worksheets[0]
        # What the file says of its own extent need not be true.
        sheet.reset_dimensions()
        for number, row in enumerate(sheet.iter_rows(values_only=True), 1):
            _require_room(number)
            yield number, [_cell(cell, number) for cell in row]
    except InvalidInputError:
        raise
    except Exception as error:
        raise InvalidInputError.at("", f"the sheet cannot be read: {error}") from None
    finally:
        workbook.close()


def _measured(content: bytes) -> bytes:
    """Return the archive with every member unpacked and stored anew, so that none is a bomb.

    What a zip's own headers say of sizes may be false; the copy holds what was counted.
    """
    copied = io.BytesIO()
    n_bytes = 0
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive, zipfile.ZipFile(copied, "w") as copy:
            for member in archive.infolist():
                with archive.open(member) as packed, copy.open(member.filename, "w") as plain:
                    while chunk := packed.read(_CHUNK_BYTES):
                        n_bytes += len(chunk)
                        if n_bytes > _MOST_UNPACKED_BYTES:
                            _refuse(
                                f"the file is more than {_MOST_UNPACKED_BYTES >> 20} MiB once "
                                "unpacked: save its rows as CSV, or split it"
                            )
                        plain.write(chunk)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        _refuse(f"this is no .xlsx file that can be read: {error}")
    return copied.getvalue()


def _require_room(number: int) -> None:
    if number > MOST_ROWS + 1:
        _refuse(f"there are more than {MOST_ROWS:,} rows: split the file")


def _cell(value: Any, row: int) -> Cell:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, datetime):
        # Days as binary fractions miss the second by a little.
        return (value + timedelta(milliseconds=500)).replace(microsecond=0).isoformat(" ")
    if isinstance(value, date | time):
        return value.isoformat()
    text = str(value).strip()
    if len(text) > _LONGEST_CELL:
        _refuse(f"row {row} has a cell longer than {_LONGEST_CELL:,} characters")
    return text


def _refuse(detail: str) -> NoReturn:
    raise InvalidInputError.at("", detail)
