"""CSV and .xlsx to rows of cells; bombs and damage refused."""

from __future__ import annotations

import io
import struct
import zipfile
from datetime import date, datetime, time
from typing import Any

import pytest
from openpyxl import Workbook

from fleetdb.errors import InvalidInputError
from fleetdb.records.sheets import MOST_BYTES, MOST_COLUMNS, MOST_ROWS, read_sheet

HEADER = ["Vehicle", "Date", "Actual"]


def workbook(*rows: list[Any], **more_sheets: list[list[Any]]) -> bytes:
    made = Workbook()
    sheet: Any = made.active
    for row in rows:
        sheet.append(row)
    for title, contents in more_sheets.items():
        other: Any = made.create_sheet(title)
        for row in contents:
            other.append(row)
    target = io.BytesIO()
    made.save(target)
    return target.getvalue()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_csv_of_any_common_kind_is_read_with_the_rows_numbers(delimiter: str, coding: str) -> None:
    lines = ["", delimiter.join(HEADER), f'"Größe{delimiter} 1"{delimiter}x{delimiter} 5 ', "", "b"]
    sheet = read_sheet("\r\n".join(lines).encode(coding))
    assert sheet.header == HEADER
    assert sheet.rows == [(3, [f"Größe{delimiter} 1", "x", "5"]), (5, ["b", "", ""])]
    assert "Row 2 is taken as the header." in sheet.said
    assert any("Windows-1252" in line for line in sheet.said) == (coding == "cp1252")


def test_a_line_break_in_a_cell_does_not_move_the_rows_below() -> None:
    sheet = read_sheet(b'a,b\n1,"two\nlines"\n2,x\n')
    assert sheet.rows == [(2, ["1", "two\nlines"]), (3, ["2", "x"])]


def test_cells_of_a_workbook_keep_what_they_are() -> None:
    moment = datetime(2025, 3, 1, 8, 29, 59, 999_995)  # noqa: DTZ001 - as spreadsheets have them
    content = workbook(
        HEADER,
        [],
        ["V-1 ", moment, 650],
        [107, date(2025, 3, 2), "38,5"],
        [True, time(8, 30), -0.5],
        second=[["x"]],
    )
    sheet = read_sheet(content)
    assert sheet.rows == [
        (3, ["V-1", "2025-03-01 08:30:00", 650.0]),
        (4, [107.0, "2025-03-02 00:00:00", "38,5"]),
        (5, ["true", "08:30:00", -0.5]),
    ]
    assert "Only the first sheet, Sheet, is read." in sheet.said


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no row below"),
        (b"Vehicle,Date\n\n", "no row below"),
        (b"\xd0\xcf\x11\xe0rest", "before .xlsx"),
        (b"PK\x03\x04rest", "no .xlsx"),
        (b"a\n" * (MOST_ROWS + 2), "more than 5,000 rows"),
        (b"," * MOST_COLUMNS + b"a\n1\n", "columns"),
        (b"a\n" + b"x" * 2_001, "cell longer"),
        (b"x" * (MOST_BYTES + 1), "larger than 5 MiB"),
        (b"a,b\n\x81\x8d\x8f\x90\x9d,1\n", "neither .xlsx nor text"),
        (b'a,b\n"' + b"x" * 140_000, "cannot be read as CSV"),
    ],
)
def test_what_is_no_table_or_too_large_is_refused(content: bytes, words: str) -> None:
    with pytest.raises(InvalidInputError, match=words):
        read_sheet(content)


def test_as_many_rows_as_are_promised_are_read() -> None:
    assert len(read_sheet(b"a\n" * (MOST_ROWS + 1)).rows) == MOST_ROWS


def bomb(n_mib: int) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (n_mib << 20))
    return target.getvalue()


def test_a_zip_bomb_is_refused_before_it_is_unpacked() -> None:
    content = bomb(1_500)
    assert len(content) < MOST_BYTES
    with pytest.raises(InvalidInputError, match="48 MiB once unpacked"):
        read_sheet(content)


def test_a_zip_that_lies_about_its_sizes_is_refused() -> None:
    content = bytearray(bomb(100))
    # Uncompressed size in the local header (APPNOTE.TXT 4.3.7) and the directory (4.3.12).
    struct.pack_into("<I", content, 22, 10)
    struct.pack_into("<I", content, content.index(b"PK\x01\x02") + 24, 10)
    with pytest.raises(InvalidInputError, match=r"no \.xlsx"):
        read_sheet(bytes(content))


@pytest.mark.parametrize(
    ("last", "words"), [("A1048576", "more than 5,000 rows"), ("XFD2", "columns")]
)
def test_cells_at_the_far_end_cost_nothing(last: str, words: str) -> None:
    made = Workbook()
    sheet: Any = made.active
    sheet["A1"], sheet["A2"], sheet[last] = "a", "b", "c"
    target = io.BytesIO()
    made.save(target)
    with pytest.raises(InvalidInputError, match=words):
        read_sheet(target.getvalue())


def test_entities_that_multiply_are_refused() -> None:
    content = workbook(HEADER, ["V-1", "2025-03-01", 1])
    lol = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaaaaaaaaaaaa">' + "".join(
        f'<!ENTITY {name} "{f"&{of};" * 40}">' for name, of in zip("bcdefg", "abcdef", strict=True)
    )
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            text = old.read(name).decode()
            if name == "xl/worksheets/sheet1.xml":
                assert "V-1" in text
                text = lol + "]>" + text.replace("V-1", "&g;")
            new.writestr(name, text)
    with pytest.raises(InvalidInputError, match=r"cannot be read|no \.xlsx"):
        read_sheet(target.getvalue())
