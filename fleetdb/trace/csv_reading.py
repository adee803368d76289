"""CSV with named columns: one header line, then numbers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError
from fleetdb.trace.checks import MOST_SAMPLES
from fleetdb.trace.columns import Column, columns_of

_LONGEST_HEADER_BYTES = 16 * 1024
_MOST_COLUMNS = 200
_SEPARATORS = ",;\t"


def read_csv(content: bytes) -> Iterator[tuple[Column, NDArray[np.float64]]]:
    """Yield the columns of a trace.

    The separator is a comma, a semicolon or a tab, by the header; with semicolons and tabs a
    decimal comma is understood. Lines above the header that begin with ``#`` are passed over.

    Raises
    ------
    InvalidInputError
        No header, rows of other lengths, cells that are no numbers, more rows than a trace has.
    """
    header, separator, rows = _header(content)
    columns = columns_of(header)
    # Names may be given twice or be odd: rows are read by number.
    numbered = [str(i) for i in range(len(header))]
    wanted = {numbered[header.index(column.name)]: column for column in columns}
    table = _read_rows(rows, separator, numbered, list(wanted))
    for number, column in wanted.items():
        yield column, table[number].to_numpy()


def _header(content: bytes) -> tuple[list[str], str, memoryview]:
    start = 3 if content.startswith(b"\xef\xbb\xbf") else 0
    while True:
        end = content.find(b"\n", start, start + _LONGEST_HEADER_BYTES)
        if end < 0:
            raise InvalidInputError.at(
                "", "there is no header line such as time_s,rail_bar with rows below it"
            )
        line = content[start : end + 1]
        start = end + 1
        if line.strip() and not line.startswith(b"#"):
            break
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")  # a degree sign from an older spreadsheet
    text = text.rstrip("\r\n")
    separator = max(_SEPARATORS, key=text.count)
    header = [cell.strip().strip('"').strip() for cell in text.split(separator)]
    if len(header) > _MOST_COLUMNS:
        raise InvalidInputError.at("", f"has more than {_MOST_COLUMNS} columns")
    return header, separator, memoryview(content)[start:]


def _read_rows(
    rows: memoryview, separator: str, numbered: list[str], wanted: list[str]
) -> pa.Table:
    decimal_comma = b"," in rows[:4096].tobytes() and separator != ","
    read = arrow_csv.ReadOptions(use_threads=False, column_names=numbered, block_size=1 << 20)
    parse = arrow_csv.ParseOptions(delimiter=separator, newlines_in_values=False)
    convert = arrow_csv.ConvertOptions(
        column_types=dict.fromkeys(wanted, pa.float64()),
        include_columns=wanted,
        decimal_point="," if decimal_comma else ".",
        null_values=["", "NaN", "nan", "NULL", "null", "N/A", "-"],
    )
    batches: list[pa.RecordBatch] = []
    n_rows = 0
    try:
        with arrow_csv.open_csv(
            pa.BufferReader(pa.py_buffer(rows)), read, parse, convert
        ) as reader:
            for batch in reader:
                n_rows += batch.num_rows
                if n_rows > MOST_SAMPLES:
                    raise InvalidInputError.at("", f"has more than {MOST_SAMPLES:,} rows")
                batches.append(batch)
            return pa.Table.from_batches(batches, reader.schema)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise InvalidInputError.at("", f"not CSV of numbers: {_short(error)}") from None


def _short(error: Exception) -> str:
    return str(error).splitlines()[0][:200]
