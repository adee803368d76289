"""How large the buffers of an Arrow IPC stream are once unpacked, read before any of them is.

A packed buffer begins with its unpacked length, and as much memory is taken for it: so the
lengths are added up first. Where they stand is in the message's header, a FlatBuffer.

References
----------
Apache Arrow columnar format, "IPC": File.fbs (``Footer``, ``Block``), Message.fbs (``Message``,
``RecordBatch``, ``DictionaryBatch``, ``BodyCompression``). FlatBuffers, "internals": tables.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import pyarrow as pa
import pyarrow.ipc as ipc

from fleetdb.errors import InvalidInputError

_MOST_MESSAGES = 50_000
_HEADER_TYPE, _HEADER = 1, 2
_DICTIONARY_BATCH, _RECORD_BATCH = 2, 3
_BATCH_OF_DICTIONARY = 1
_LENGTH, _BUFFERS, _COMPRESSION = 0, 2, 3
_DICTIONARIES_OF_FILE, _BATCHES_OF_FILE = 2, 3
_BLOCK_BYTES = 24
_CONTINUES = b"\xff\xff\xff\xff"
FILE_MAGIC = b"ARROW1"


def require_small_buffers(content: bytes, most_rows: int, most_bytes: int) -> None:
    """Raise unless all batches have ``most_rows`` and unpack to ``most_bytes`` at most.

    ``content`` is a file (it begins with ``FILE_MAGIC``) or a stream.

    Raises
    ------
    InvalidInputError
        They are larger, or their headers make no sense.
    pyarrow.ArrowException, OSError
        The stream is damaged.
    """
    n_rows = n_bytes = n_messages = 0
    messages = _of_file(content) if content.startswith(FILE_MAGIC) else _of_stream(content)
    try:
        for header, body in messages:
            rows, size = _rows_and_bytes(header, body)
            n_rows, n_bytes, n_messages = n_rows + rows, n_bytes + size, n_messages + 1
            if n_rows > most_rows:
                raise InvalidInputError.at("", f"has more than {most_rows:,} rows")
            if n_bytes > most_bytes or n_messages > _MOST_MESSAGES:
                raise InvalidInputError.at(
                    "", f"more than {most_bytes >> 20} MiB once unpacked, or too many batches"
                )
    except (struct.error, IndexError):
        raise InvalidInputError.at("", "damaged Arrow IPC: a header makes no sense") from None


def _of_stream(content: bytes) -> Iterator[tuple[memoryview, memoryview]]:
    """Yield header and body of each message."""
    reader = ipc.MessageReader.open_stream(pa.py_buffer(content))
    while True:
        try:
            message = reader.read_next_message()
        except StopIteration:
            return
        body = message.body
        yield memoryview(message.metadata), memoryview(b"" if body is None else body)


def _of_file(content: bytes) -> Iterator[tuple[memoryview, memoryview]]:
    """Yield header and body of each batch the footer names."""
    whole = memoryview(content)
    footer_end = len(content) - len(FILE_MAGIC) - 4
    if footer_end < 8 or not content.endswith(FILE_MAGIC):
        raise struct.error("the file is cut off")
    footer_start = footer_end - struct.unpack_from("<i", whole, footer_end)[0]
    if not 8 <= footer_start <= footer_end:
        raise struct.error("the footer lies outside the file")
    footer = whole[footer_start:footer_end]
    root = _unsigned(footer, 0)
    for blocks in (_DICTIONARIES_OF_FILE, _BATCHES_OF_FILE):
        at = _field(footer, root, blocks)
        if at is None:
            continue
        vector = at + _unsigned(footer, at)
        for number in range(_unsigned(footer, vector)):
            block = vector + 4 + _BLOCK_BYTES * number
            offset, head_bytes, body_bytes = struct.unpack_from("<qi4xq", footer, block)
            body = offset + head_bytes
            if min(offset, head_bytes, body_bytes) < 0 or body + body_bytes > len(whole):
                raise struct.error("a batch lies outside the file")
            # Newer writers put four bytes of ones before the header's length.
            skipped = 8 if whole[offset : offset + 4] == _CONTINUES else 4
            yield whole[offset + skipped : body], whole[body : body + body_bytes]


def _rows_and_bytes(header: memoryview, body: memoryview) -> tuple[int, int]:
    """Return the rows of a message, none but for a batch, and its unpacked size."""
    root = _unsigned(header, 0)
    kind_at, table_at = _field(header, root, _HEADER_TYPE), _field(header, root, _HEADER)
    if kind_at is None or table_at is None:
        return 0, 0
    kind = header[kind_at]
    if kind not in (_DICTIONARY_BATCH, _RECORD_BATCH):
        return 0, 0
    batch = table_at + _unsigned(header, table_at)
    if kind == _DICTIONARY_BATCH:
        inner = _field(header, batch, _BATCH_OF_DICTIONARY)
        if inner is None:
            return 0, 0
        batch = inner + _unsigned(header, inner)
    length_at = _field(header, batch, _LENGTH)
    n_rows = _signed(header, length_at) if length_at is not None else 0
    if n_rows < 0:
        raise struct.error("negative length")
    rows = n_rows if kind == _RECORD_BATCH else 0
    if _field(header, batch, _COMPRESSION) is None:
        return rows, len(body)
    return rows, sum(_unpacked_sizes(header, batch, body))


def _unpacked_sizes(header: memoryview, batch: int, body: memoryview) -> Iterator[int]:
    """Yield the unpacked length of each buffer of a packed batch."""
    buffers = _field(header, batch, _BUFFERS)
    if buffers is None:
        return
    vector = buffers + _unsigned(header, buffers)
    n_buffers = _unsigned(header, vector)
    for number in range(n_buffers):
        offset = _signed(header, vector + 4 + 16 * number)
        length = _signed(header, vector + 4 + 16 * number + 8)
        if offset < 0 or length < 0 or offset + length > len(body):
            raise struct.error("a buffer lies outside the body")
        if length >= 8:
            unpacked = _signed(body, offset)
            # Minus one: this buffer was left as it is.
            yield length if unpacked < 0 else unpacked


def _field(header: memoryview, table: int, number: int) -> int | None:
    """Return where a table's field is, None if it has not got it."""
    vtable = table - struct.unpack_from("<i", header, table)[0]
    if vtable < 0:
        raise struct.error("a vtable lies outside the header")
    size = struct.unpack_from("<H", header, vtable)[0]
    slot = 4 + 2 * number
    if slot + 2 > size:
        return None
    offset = struct.unpack_from("<H", header, vtable + slot)[0]
    if offset == 0:
        return None
    if table + offset >= len(header):
        raise struct.error("a field lies outside the header")
    return table + offset


def _unsigned(header: memoryview, at: int) -> int:
    return struct.unpack_from("<I", header, at)[0]


def _signed(header: memoryview, at: int) -> int:
    return struct.unpack_from("<q", header, at)[0]
