"""Bodies unpacked on the way in: every byte, in pieces of any size, never too much at once."""

from __future__ import annotations

import gzip
import random

import pytest

from api import trace_bodies
from fleetdb.errors import InvalidInputError

NOISE = random.Random(1).randbytes(200_000)


def unpacked(content: bytes, step: int) -> tuple[bytes, int]:
    """Return what a body holds, fed ``step`` bytes at a time, and the longest piece given."""
    inflater = trace_bodies._Inflater()  # pyright: ignore[reportPrivateUsage]
    out, longest = bytearray(), 0
    for start in range(0, len(content), step):
        inflater.feed(content[start : start + step])
        while piece := inflater.piece():
            longest = max(longest, len(piece))
            out += piece
    inflater.finish()
    return bytes(out), longest


@pytest.mark.parametrize("step", [1 << 16, 7_001, 11])
@pytest.mark.parametrize(
    "plain", [b"", b"time_s,rail_bar\n", NOISE, b"a" * (1 << 20) + b"b" * 300, b"x" * 5_000_000]
)
def test_a_body_comes_out_as_python_packed_it(plain: bytes, step: int) -> None:
    # Against the gzip of Python's library; two members follow each other in RFC 1952 [memory].
    once, twice = gzip.compress(plain), gzip.compress(plain) + gzip.compress(plain)

    assert unpacked(once, step)[0] == plain
    got, longest = unpacked(twice, step)
    assert got == plain + plain
    assert longest <= 1 << 20


@pytest.mark.parametrize(
    "content",
    [b"plain text", gzip.compress(NOISE)[:-1], gzip.compress(NOISE)[:100], b""],
    ids=["not gzip", "cut in the trailer", "cut in the data", "nothing"],
)
def test_a_body_that_is_not_whole_gzip_is_refused(content: bytes) -> None:
    with pytest.raises(InvalidInputError, match="gzip"):
        unpacked(content, 1 << 16)


def test_a_changed_byte_is_noticed() -> None:
    content = bytearray(gzip.compress(NOISE))
    content[len(content) // 2] ^= 1

    with pytest.raises(InvalidInputError, match="gzip"):
        unpacked(bytes(content), 1 << 16)
