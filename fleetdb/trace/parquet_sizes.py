"""How large the pages of a Parquet file are once unpacked, read before any of them is.

The footer's own sums can be made up, and a page is unpacked into as much memory as its own
header says: so the headers are walked. The footer is read here too, since the accessors of the
library end the process when a column's description makes no sense.

References
----------
Apache Parquet format, parquet.thrift: ``FileMetaData`` (4 row_groups), ``RowGroup`` (1
columns), ``ColumnChunk`` (3 meta_data), ``ColumnMetaData`` (3 path_in_schema,
7 total_compressed_size, 9 data_page_offset, 11 dictionary_page_offset), ``PageHeader``
(2 uncompressed_page_size, 3 compressed_page_size).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from fleetdb.errors import InvalidInputError
from fleetdb.trace.thrift_compact import BINARY, I32, I64, LIST, STRUCT, CompactReader, damaged

_MAGIC = b"PAR1"
_MOST_CHUNKS, _MOST_PAGES = 50_000, 50_000
_ROW_GROUPS, _COLUMNS, _META_DATA, _PATH = 4, 1, 3, 3
_PACKED_TOTAL, _DATA_AT, _DICTIONARY_AT = 7, 9, 11
_UNPACKED_SIZE, _PACKED_SIZE = 2, 3


def require_small_pages(content: bytes, names: set[str], most_bytes: int) -> None:
    """Raise unless the pages of the columns ``names`` unpack to ``most_bytes`` at most.

    Raises
    ------
    InvalidInputError
        They are larger, or headers make no sense.
    """
    n_bytes = n_pages = 0
    for name, numbers in _column_chunks(content):
        if name not in names:
            continue
        at = numbers.get(_DATA_AT, -1)
        dictionary_at = numbers.get(_DICTIONARY_AT, 0)
        if dictionary_at > 0:
            at = min(at, dictionary_at)
        end = at + numbers.get(_PACKED_TOTAL, -1)
        if at < 0 or not at <= end <= len(content):
            damaged()
        while at < end:
            unpacked, packed, at = _page(content, at)
            at += packed
            n_bytes += unpacked
            n_pages += 1
            if n_bytes > most_bytes or n_pages > _MOST_PAGES:
                raise InvalidInputError.at(
                    "", f"more than {most_bytes >> 20} MiB once unpacked, or too many pages"
                )


def _column_chunks(content: bytes) -> Iterator[tuple[str, dict[int, int]]]:
    """Yield path and numbers (by field) of each column chunk's description."""
    tail = len(content) - len(_MAGIC) - 4
    if tail < len(_MAGIC) or not content.endswith(_MAGIC):
        damaged()
    footer_at = tail - struct.unpack_from("<I", content, tail)[0]
    if footer_at < len(_MAGIC):
        damaged()
    footer = CompactReader(content[:tail], footer_at)
    n_chunks = 0
    for _ in _structs(footer, _ROW_GROUPS):
        for _ in _structs(footer, _COLUMNS):
            n_chunks += 1
            if n_chunks > _MOST_CHUNKS:
                raise InvalidInputError.at("", "has too many row groups")
            found: tuple[str, dict[int, int]] | None = None
            for field, kind in footer.fields():
                if field == _META_DATA and kind == STRUCT:
                    found = _column_description(footer)
                else:
                    footer.skip(kind)
            if found is not None:
                yield found


def _structs(reader: CompactReader, wanted: int) -> Iterator[None]:
    """Yield at each element of the list of structures in a field; the caller reads it."""
    for field, kind in reader.fields():
        if field != wanted or kind != LIST:
            reader.skip(kind)
            continue
        element, n = reader.list_head()
        if element != STRUCT:
            damaged()
        for _ in range(n):
            yield


def _column_description(reader: CompactReader) -> tuple[str, dict[int, int]]:
    path: list[str] = []
    numbers: dict[int, int] = {}
    for field, kind in reader.fields():
        if field == _PATH and kind == LIST:
            element, n = reader.list_head()
            if element != BINARY:
                damaged()
            path = [reader.text() for _ in range(n)]
        elif kind == I64:
            numbers[field] = reader.number()
        else:
            reader.skip(kind)
    return ".".join(path), numbers


def _page(content: bytes, at: int) -> tuple[int, int, int]:
    """Return a page's unpacked and packed size, and where its header ends."""
    header = CompactReader(content, at)
    sizes: dict[int, int] = {}
    for field, kind in header.fields():
        if field in (_UNPACKED_SIZE, _PACKED_SIZE) and kind == I32:
            sizes[field] = header.number()
        else:
            header.skip(kind)
    unpacked, packed = sizes.get(_UNPACKED_SIZE, -1), sizes.get(_PACKED_SIZE, -1)
    if unpacked < 0 or packed < 0:
        damaged()
    return unpacked, packed, header.at
