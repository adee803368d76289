"""Thrift's compact protocol, as far as a Parquet file's own descriptions use it.

References
----------
Apache Thrift, "Thrift compact protocol encoding".
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NoReturn

from fleetdb.errors import InvalidInputError

_DEEPEST = 16
STOP, TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, MAP, STRUCT = range(13)


class CompactReader:
    """A cursor over Thrift's compact protocol."""

    def __init__(self, content: bytes, at: int) -> None:
        self._content = content
        self.at = at

    def fields(self) -> Iterator[tuple[int, int]]:
        """Yield number and type of each field; the caller consumes its value."""
        field = 0
        while True:
            head = self._byte()
            kind = head & 0x0F
            if kind == STOP:
                return
            field = field + (head >> 4) if head >> 4 else self.number()
            yield field, kind

    def number(self) -> int:
        """Return a zigzag-coded integer."""
        raw = self._varint()
        return (raw >> 1) ^ -(raw & 1)

    def skip(self, kind: int, depth: int = 0) -> None:
        """Pass over a value."""
        if depth > _DEEPEST:
            damaged()
        if kind in (TRUE, FALSE):
            return
        if kind == BYTE:
            self._forward(1)
        elif kind in (I16, I32, I64):
            self._varint()
        elif kind == DOUBLE:
            self._forward(8)
        elif kind == BINARY:
            self._forward(self._varint())
        elif kind in (LIST, SET):
            element, n = self.list_head()
            for _ in range(n):
                # In a list a flag is a byte of its own.
                self.skip(BYTE if element in (TRUE, FALSE) else element, depth + 1)
        elif kind == STRUCT:
            for _, inner in self.fields():
                self.skip(inner, depth + 1)
        else:
            damaged()  # nothing in a Parquet file is a map

    def list_head(self) -> tuple[int, int]:
        """Return the type of a list's elements and how many follow."""
        head = self._byte()
        n = head >> 4 if head >> 4 < 15 else self._varint()
        if n > len(self._content):
            damaged()
        return head & 0x0F, n

    def text(self) -> str:
        """Return a string; what is not UTF-8 in it is replaced."""
        n = self._varint()
        start = self.at
        self._forward(n)
        return bytes(self._content[start : self.at]).decode("utf-8", "replace")

    def _byte(self) -> int:
        if not 0 <= self.at < len(self._content):
            damaged()
        value = self._content[self.at]
        self.at += 1
        return value

    def _forward(self, n: int) -> None:
        if n < 0 or self.at + n > len(self._content):
            damaged()
        self.at += n

    def _varint(self) -> int:
        value = shift = 0
        while True:
            byte = self._byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7
            if shift > 63:
                damaged()


def damaged() -> NoReturn:
    """Raise ``InvalidInputError``: these bytes make no sense."""
    raise InvalidInputError.at("", "damaged Parquet: a header makes no sense")
